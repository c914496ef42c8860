"""The settings that a replay ran with, as rows of a table; what differs from the default is marked."""

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass

from ullage.daemon.chart.units import Units
from ullage.daemon.config_vessels import WatchedVessel
from ullage.detectors.registry import compose
from ullage.detectors.vessel import Vessel


@dataclass(frozen=True, slots=True)
class SettingRow:
    """One setting: where it stands, its value, and the default where that is another."""

    name: str
    value: str
    default: str = ""


def detector_rows(watched: WatchedVessel) -> Iterator[SettingRow]:
    """Yield every detector's settings."""
    usual = compose({})
    for name, settings in watched.detectors.items():
        assert dataclasses.is_dataclass(settings)
        for field in dataclasses.fields(settings):
            value, default = getattr(settings, field.name), getattr(usual[name], field.name)
            yield SettingRow(f"{name}.{field.name}", _said(value), "" if value == default else _said(default))


def vessel_rows(vessel: Vessel, units: Units) -> Iterator[SettingRow]:
    """Yield what was known of the vessel."""
    yield SettingRow("total volume", f"{vessel.total_volume_l:g} L")
    yield SettingRow(
        "beer volume", f"{vessel.beer_volume_l:g} L, so {vessel.head_space_l:.1f} L of head space"
    )
    yield SettingRow("rated pressure", units.pressure_text(vessel.rated_pressure_bar))
    valve = vessel.valve_pressure_bar
    yield SettingRow("valve setting", "none: sealed" if valve is None else units.pressure_text(valve))
    if vessel.yeast_temperature_c is not None:
        low, high = vessel.yeast_temperature_c
        yield SettingRow("yeast range", f"{units.temperature_number(low)} to {units.temperature_text(high)}")
    if vessel.original_gravity is not None:
        yield SettingRow("original gravity", f"{vessel.original_gravity:.3f}")
    yield SettingRow("temperature probe in", vessel.probe.value)
    yield SettingRow("air pressure", f"{vessel.air_pressure_bar * 1000:.0f} mbar")


def _said(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
