"""What a vessel's detectors will do, in plain words: limits, delays, and what can't be told for want of a sensor."""

from collections.abc import Iterator
from dataclasses import dataclass

from ullage.adapters.reading import Quantity
from ullage.daemon.config_vessels import WatchedVessel
from ullage.detectors.activity import ActivitySettings
from ullage.detectors.finding import Condition, Priority
from ullage.detectors.frozen import FrozenSettings
from ullage.detectors.lag import COLD_C, WARM_C, allowed_h
from ullage.detectors.leak import LeakSettings
from ullage.detectors.over_pressure import OverPressureSettings
from ullage.detectors.pressure_low import PressureLowSettings
from ullage.detectors.pressure_rising import RisingSettings
from ullage.detectors.silent import SilentSettings
from ullage.detectors.temperature import TemperatureSettings
from ullage.detectors.vessel import Probe, Vessel
from ullage.detectors.warmed import WarmedSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """One thing that will be told."""

    what: str
    """The condition, or several."""
    priority: Priority
    text: str


def promises(watched: WatchedVessel) -> tuple[Promise, ...]:
    """Return what a vessel can tell: alarms, the most urgent first, then notices."""
    has = {channel.quantity for channel in watched.channels if channel.source}
    found: list[Promise] = []
    if Quantity.PRESSURE in has:
        found += _about_pressure(watched)
    if Quantity.TEMPERATURE in has:
        found += _about_temperature(watched)
    if has:
        found += _about_sensors(watched)
    if Quantity.PRESSURE in has:
        found += _about_the_end(watched.vessel)
    return tuple(found)


def every_promise(watched: WatchedVessel) -> tuple[Promise, ...]:
    """Return what a vessel could tell if it had every sensor, as in a replay that names no sources."""
    return (
        *_about_pressure(watched),
        *_about_temperature(watched),
        *_about_sensors(watched),
        *_about_the_end(watched.vessel),
    )


def _about_the_end(vessel: Vessel) -> Iterator[Promise]:
    yield Promise(
        what=Condition.STALLED.value,
        priority=Priority.MEDIUM,
        text="no gas any more though more is owed: too cold, or unexplained",
    )
    end = [Condition.FINISH_SUSPECTED, Condition.FINISHED, Condition.STILL_FERMENTING]
    how = (
        "the end of fermentation; a pressure that is flat at the valve proves nothing, so you will be asked to wind the "
        "valve shut for some hours"
        if vessel.valve_pressure_bar is not None
        else "the end of fermentation, from the CO2 balance of the sealed vessel"
    )
    yield Promise(what=", ".join(end), priority=Priority.MEDIUM, text=how)
    yield Promise(
        what=f"{Condition.FINING_DUE.value}, {Condition.READY.value}",
        priority=Priority.MEDIUM,
        text="when the beer has been cold and settled for long enough, by its own temperature; never at night",
    )
    small = [Condition.ACTIVITY, Condition.CHILLED]
    if vessel.valve_pressure_bar is not None:
        small.insert(1, Condition.HELD)
    yield Promise(what=", ".join(small), priority=Priority.LOW, text="told once, as they come")


def _about_pressure(watched: WatchedVessel) -> Iterator[Promise]:
    limit = watched.vessel.rated_pressure_bar
    for settings in watched.detectors.values():
        match settings:
            case OverPressureSettings():
                yield Promise(
                    what=Condition.OVER_PRESSURE.value,
                    priority=Priority.CRITICAL,
                    text=f"above {limit:g} bar for two readings in a row, no other delay; over when it is below "
                    f"{limit - settings.dead_band_bar:g} bar; repeated until acknowledged",
                )
            case RisingSettings():
                yield Promise(
                    what=Condition.PRESSURE_RISING.value,
                    priority=Priority.HIGH,
                    text=f"above {settings.from_share * limit:.2g} bar and on its way to reach {limit:g} bar within "
                    f"{settings.horizon_h:g} h; behind a valve that should have opened, within {settings.stuck_horizon_h:g} h",
                )
            case PressureLowSettings():
                yield Promise(
                    what=Condition.PRESSURE_LOW.value,
                    priority=Priority.MEDIUM,
                    text=f"below {settings.least_bar:g} bar for {settings.patience_min:g} min once it has been under "
                    "pressure, or foreseen to be after a chill",
                )
            case LeakSettings():
                yield Promise(
                    what=Condition.LEAK.value,
                    priority=Priority.HIGH,
                    text=f"a loss of {settings.quick_loss_bar:g} bar (quick), {settings.slow_loss_bar:g} bar (slow) or "
                    f"{settings.great_loss_bar:g} bar (however slow) "
                    "that neither temperature nor valve explains"
                    + (
                        ""
                        if watched.vessel.valve_pressure_bar is None
                        else ", late behind a smooth valve of less"
                    ),
                )
            case ActivitySettings():
                yield Promise(
                    what=Condition.NO_ACTIVITY.value,
                    priority=Priority.MEDIUM,
                    text=f"no gas within {_lag(watched.vessel, settings)} of pitching",
                )


def _lag(vessel: Vessel, settings: ActivitySettings) -> str:
    """Return how long the first gas may take, by the brewer's word or by the beer's temperature."""
    if settings.expected_within_h > 0:
        return f"{settings.expected_within_h:g} h"
    return f"{allowed_h(WARM_C, vessel):.0f} h ({allowed_h(COLD_C, vessel):.0f} h at {COLD_C:g} °C)"


def _about_temperature(watched: WatchedVessel) -> Iterator[Promise]:
    limits = watched.vessel.yeast_temperature_c
    for settings in watched.detectors.values():
        if isinstance(settings, WarmedSettings):
            yield _about_warming(watched.vessel, settings)
        if not isinstance(settings, TemperatureSettings) or limits is None:
            continue
        in_air = watched.vessel.probe is Probe.AIR
        patience = f"{settings.patience_air_h:g} h" if in_air else f"{settings.patience_min:g} min"
        where = ", the longer patience of a probe in air" if in_air else ""
        for condition, side, limit in (
            (Condition.TEMPERATURE_HIGH, "above", limits[1]),
            (Condition.TEMPERATURE_LOW, "below", limits[0]),
        ):
            yield Promise(
                what=condition.value,
                priority=Priority.HIGH if side == "above" else Priority.MEDIUM,
                text=f"{side} {limit:g} °C for {patience}{where}; over when it is back by {settings.dead_band_c:g} K",
            )
        batch = watched.vessel.batch
        if batch is not None and batch.temperatures.steps:
            yield Promise(
                what=f"{Condition.TEMPERATURE_HIGH}, {Condition.TEMPERATURE_LOW}",
                priority=Priority.MEDIUM,
                text=f"more than {settings.off_plan_c:g} K off the plan's step for {settings.off_plan_h:g} h; "
                "a step outside the range above counts in its place",
            )


def _about_warming(vessel: Vessel, settings: WarmedSettings) -> Promise:
    patience_h = settings.patience_air_h if vessel.probe is Probe.AIR else settings.patience_h
    return Promise(
        what=Condition.TEMPERATURE_HIGH.value,
        priority=Priority.MEDIUM,
        text=f"beer that was chilled stands for {patience_h:g} h more than {settings.above_k:g} K above what counts as cold, or "
        "above the temperature of serving once it is conditioned",
    )


def _about_sensors(watched: WatchedVessel) -> Iterator[Promise]:
    for settings in watched.detectors.values():
        match settings:
            case SilentSettings():
                yield Promise(
                    what=Condition.SENSOR_SILENT.value,
                    priority=Priority.HIGH,
                    text=f"a sensor says nothing for {settings.after_min:g} min (a float for {settings.gravity_after_h:g} h), "
                    "or for six of its own intervals if that is longer",
                )
            case FrozenSettings():
                yield Promise(
                    what=Condition.SENSOR_FROZEN.value,
                    priority=Priority.HIGH,
                    text=f"the same number for at least {settings.at_least_min:g} min (a temperature for "
                    f"{settings.at_least_temperature_min:g}) where noise would have moved it",
                )
    yield Promise(
        what=Condition.SENSOR_IMPLAUSIBLE.value,
        priority=Priority.HIGH,
        text="numbers that can't be: beyond physics, at the end of the scale, or a probe's power-on value",
    )


def missing(watched: WatchedVessel) -> tuple[str, ...]:
    """Return a sentence for each thing that can't be told because the configuration lacks something."""
    vessel, has = watched.vessel, {channel.quantity for channel in watched.channels if channel.source}
    found: list[str] = []
    if Quantity.PRESSURE not in has:
        found.append("no pressure channel: over-pressure, leaks and the end of fermentation can't be told")
    if Quantity.TEMPERATURE not in has:
        found.append("no temperature channel: verdicts rest on pressure alone and come later and less surely")
    elif vessel.yeast_temperature_c is None:
        found.append("no yeast_temperature_c: no temperature alarms while it ferments")
    if vessel.original_gravity is None:
        found.append("no original_gravity: how much gas is still to come is judged more cautiously")
    found += _missing_words(vessel, has)
    return tuple(found)


def _missing_words(vessel: Vessel, has: set[Quantity]) -> Iterator[str]:
    if Quantity.PRESSURE in has and vessel.valve_pressure_bar is None:
        yield "no valve_pressure_bar: it counts as sealed; set it if a spunding valve is fitted"
    if Quantity.TEMPERATURE in has and vessel.probe is Probe.UNKNOWN:
        yield "no probe: say whether it sits in the beer or in the air (probe: beer, or probe: air)"
