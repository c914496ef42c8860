"""`ullage carbonation`: carbonation from pressure and temperature, pressure from carbonation, or the table."""

import argparse
import math

from ullage.adapters.errors import ConfigError
from ullage.adapters.reading import Quantity
from ullage.adapters.units import STANDARD_ATMOSPHERE_BAR, conversion
from ullage.daemon.amounts import Amount
from ullage.daemon.carbonation_table import CAUTION, PSI_BAR, UNCERTAINTY, fahrenheit, table_lines
from ullage.detectors.co2 import (
    dissolved_g_per_l,
    gauge_for_carbonation_bar,
)
from ullage.detectors.volumes import G_PER_VOLUME

ERROR = 0.05
"""Share of the value that the solubility of one beer may differ by."""
TEMPERATURES_C = (-2.0, 30.0)
PRESSURES_BAR = (0.0, 3.0)
"""Where the formula was checked against printed charts and measured solubility; colder, beer freezes."""
CARBONATIONS_G_PER_L = (0.5, 15.0)
ALTITUDES_M = (-430.0, 5000.0)
AIR_MBAR = (500.0, 1100.0)
_CODES = {"C": "Cel", "F": "[degF]", "bar": "bar", "psi": "[psi]", "kPa": "kPa"}


def handle(options: argparse.Namespace) -> int:
    """Work out what is asked for and print it."""
    air_bar = _air_bar(options.altitude, options.air_pressure)
    if options.table:
        _refuse_numbers(options)
        print("\n".join(table_lines(air_bar)))
        return 0
    if options.temperature is None or (options.pressure is None and options.carbonation is None):
        raise ConfigError(
            "",
            "carbonation needs two numbers",
            "give --temperature with --pressure or with --carbonation, or ask for the --table",
        )
    celsius = _temperature_c(options.temperature, options.temperature_unit)
    if options.pressure is not None:
        lines = _from_pressure(_pressure_bar(options.pressure, options.pressure_unit), celsius, air_bar)
    else:
        wanted = _carbonation_g_per_l(options.carbonation, options.carbonation_unit)
        lines = _from_carbonation(wanted, celsius, air_bar)
    print("\n".join([*lines, f"Air pressure {air_bar * 1000:.0f} mbar.", UNCERTAINTY]))
    return 0


def air_bar_at(altitude_m: float) -> float:
    """Return the standard air pressure at an altitude, in bar (ISO 2533, troposphere)."""
    return float(STANDARD_ATMOSPHERE_BAR * (1 - 2.25577e-5 * altitude_m) ** 5.25588)


def _from_pressure(pressure_bar: float, celsius: float, air_bar: float) -> list[str]:
    held = float(dissolved_g_per_l(pressure_bar, celsius, air_bar))
    least, most = held * (1 - ERROR), held * (1 + ERROR)
    return [
        f"{_pressure_text(pressure_bar)} at {_temperature_text(celsius)}: {_carbonation_text(held)}",
        f"Between {least:.1f} and {most:.1f} g/L ({least / G_PER_VOLUME:.2f} and {most / G_PER_VOLUME:.2f} volumes).",
    ]


def _from_carbonation(wanted_g_per_l: float, celsius: float, air_bar: float) -> list[str]:
    pressure_bar = float(gauge_for_carbonation_bar(wanted_g_per_l, celsius, air_bar))
    first = f"{_carbonation_text(wanted_g_per_l)} at {_temperature_text(celsius)}: "
    if pressure_bar <= 0:
        held = float(dissolved_g_per_l(0.0, celsius, air_bar))
        return [
            f"{first}no pressure",
            f"Beer this cold holds {held:.1f} g/L under plain CO2 at air pressure.",
            "Keep 0.1 bar on it so that no air gets in.",
        ]
    off_bar = ERROR * (pressure_bar + air_bar)
    least, most = max(pressure_bar - off_bar, 0.0), pressure_bar + off_bar
    lines = [
        first + _pressure_text(pressure_bar),
        f"Between {least:.2f} and {most:.2f} bar ({least / PSI_BAR:.1f} and {most / PSI_BAR:.1f} psi).",
        CAUTION,
    ]
    if pressure_bar > PRESSURES_BAR[1]:
        lines.append(
            f"That is above {PRESSURES_BAR[1]:g} bar, where the formula is unchecked: chill the beer."
        )
    return lines


def _pressure_text(pressure_bar: float) -> str:
    return f"{pressure_bar:.2f} bar ({pressure_bar / PSI_BAR:.1f} psi, {pressure_bar * 100:.0f} kPa)"


def _temperature_text(celsius: float) -> str:
    return f"{celsius:.1f} °C ({fahrenheit(celsius):.1f} °F)"


def _carbonation_text(g_per_l: float) -> str:
    return f"{g_per_l:.1f} g/L ({g_per_l / G_PER_VOLUME:.2f} volumes)"


def _temperature_c(given: Amount, otherwise: str) -> float:
    value, unit = given.number, given.unit_or(otherwise)
    celsius = conversion(Quantity.TEMPERATURE, _CODES[unit]).convert(value)
    low, high = TEMPERATURES_C
    limits = f"{low:g} to {high:g} °C ({fahrenheit(low):.1f} to {fahrenheit(high):g} °F)"
    _keep(celsius, TEMPERATURES_C, "--temperature", f"{value:g} °{unit}", limits)
    return celsius


def _pressure_bar(given: Amount, otherwise: str) -> float:
    value, unit = given.number, given.unit_or(otherwise)
    pressure_bar = conversion(Quantity.PRESSURE, _CODES[unit]).convert(value)
    low, high = PRESSURES_BAR
    limits = f"{low:g} to {high:g} bar gauge ({high / PSI_BAR:.1f} psi, {high * 100:g} kPa)"
    _keep(pressure_bar, PRESSURES_BAR, "--pressure", f"{value:g} {unit}", limits)
    return pressure_bar


def _carbonation_g_per_l(given: Amount, otherwise: str) -> float:
    value, unit = given.number, given.unit_or(otherwise)
    g_per_l = value * (G_PER_VOLUME if unit == "volumes" else 1.0)
    low, high = CARBONATIONS_G_PER_L
    limits = f"{low:g} to {high:g} g/L ({low / G_PER_VOLUME:.2f} to {high / G_PER_VOLUME:.1f} volumes)"
    _keep(g_per_l, CARBONATIONS_G_PER_L, "--carbonation", f"{value:g} {unit}", limits)
    return g_per_l


def _air_bar(altitude_m: float | None, air_mbar: float | None) -> float:
    """Return the air pressure that the options give, in bar."""
    if altitude_m is not None:
        low, high = ALTITUDES_M
        _keep(altitude_m, ALTITUDES_M, "--altitude", f"{altitude_m:g} m", f"{low:g} to {high:g} m")
        return air_bar_at(altitude_m)
    if air_mbar is not None:
        low, high = AIR_MBAR
        _keep(air_mbar, AIR_MBAR, "--air-pressure", f"{air_mbar:g} mbar", f"{low:g} to {high:g} mbar")
        return air_mbar / 1000
    return STANDARD_ATMOSPHERE_BAR


def _keep(value: float, limits: tuple[float, float], option: str, given: str, said: str) -> None:
    """Refuse a number outside its limits."""
    if not (math.isfinite(value) and limits[0] <= value <= limits[1]):
        raise ConfigError(option, f"{given} is out of range", f"give {said}")


def _refuse_numbers(options: argparse.Namespace) -> None:
    """A table takes no single number."""
    for name in ("pressure", "carbonation", "temperature"):
        if getattr(options, name) is not None:
            raise ConfigError(f"--{name}", "does not go with --table", "leave out one of them")
