"""Pressure to expect of a chill in the shut vessel, so that a leak is told from gas dissolving.

Mass balance as in `co2.shut_pressure_after_bar` (sources there).

Examples
--------
>>> vessel = Vessel(name="north", total_volume_l=23, beer_volume_l=20, rated_pressure_bar=2.5)
>>> round(chill_advice(vessel, 1.2, 18.0, 2.0).expected_bar, 2)
0.37
"""

from dataclasses import dataclass

from ullage.detectors.advice_limits import SAFE_POSITIVE_BAR, check_temperature
from ullage.detectors.co2 import KELVIN, capacity_g_per_l_bar, shut_pressure_after_bar
from ullage.detectors.vessel import Vessel

CHILL_TOLERANCE_BAR = 0.1
"""How far off `ChillAdvice.expected_bar` may be with nothing wrong: 0.07 bar of a cheap sensor, 0.03 of half a kelvin,
0.05 of the solubility's slope, each as in the docs, added as squares."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChillAdvice:
    """What the gauge of a shut vessel does as the beer gets cold, bar gauge."""

    gas_only_bar: float
    """At first, within minutes of the gas being cold: the gas law alone."""
    expected_bar: float
    """In the end, after a day or several: gas has dissolved too."""
    leak_below_bar: float
    """A gauge that stands below this is losing gas."""
    connect_at_c: float | None
    """Beer temperature at which to connect gas; None if the pressure stays safely positive by itself."""
    grams: float
    """CO2 that then keeps the safe positive pressure to the end; 0 if none is needed."""
    text: str


def chill_advice(
    vessel: Vessel,
    pressure_bar: float,
    temperature_c: float,
    cold_c: float,
    safe_bar: float = SAFE_POSITIVE_BAR,
) -> ChillAdvice:
    """Return the pressure to expect of a chill in the shut vessel (`co2.shut_pressure_after_bar`).

    Raises
    ------
    ValueError
        If a temperature lies outside -2 to 40 °C.
    """
    check_temperature("temperature_c", temperature_c)
    check_temperature("cold_c", cold_c)
    air_bar = vessel.air_pressure_bar
    expected_bar = float(shut_pressure_after_bar(vessel, pressure_bar, temperature_c, cold_c))
    gas_only_bar = (pressure_bar + air_bar) * (cold_c + KELVIN) / (temperature_c + KELVIN) - air_bar
    connect_at_c, grams = None, 0.0
    goes = (
        f"Chilled from {temperature_c:g} to {cold_c:g} °C, the shut vessel goes from {pressure_bar:.2f} bar"
    )
    if expected_bar < safe_bar:
        connect_at_c = _crossing_c(vessel, pressure_bar, temperature_c, cold_c, safe_bar)
        capacity = float(capacity_g_per_l_bar(vessel, cold_c))
        grams = capacity * vessel.beer_volume_l * (safe_bar - expected_bar)
        when = "now" if connect_at_c >= temperature_c else f"before the beer is below {connect_at_c:.0f} °C"
        text = (
            f"{goes} to {expected_bar:.2f} bar if left alone, as gas dissolves, and may draw in air. Connect gas at "
            f"{safe_bar:.2f} bar or more {when}; about {grams:.0f} g of CO2 keep it at {safe_bar:.2f} bar."
        )
    else:
        text = (
            f"{goes} to about {gas_only_bar:.2f} bar as the gas gets cold, and within days to {expected_bar:.2f} bar "
            f"as it dissolves. A gauge below {expected_bar - CHILL_TOLERANCE_BAR:.2f} bar is a leak."
        )
    return ChillAdvice(
        gas_only_bar=gas_only_bar,
        expected_bar=expected_bar,
        leak_below_bar=expected_bar - CHILL_TOLERANCE_BAR,
        connect_at_c=connect_at_c,
        grams=grams,
        text=text,
    )


def _crossing_c(
    vessel: Vessel, pressure_bar: float, temperature_c: float, cold_c: float, safe_bar: float
) -> float:
    """Return the beer temperature where the shut vessel passes `safe_bar`; the present one if already below."""
    low, high = cold_c, temperature_c
    if pressure_bar <= safe_bar:
        return temperature_c
    for _ in range(40):
        middle = (low + high) / 2
        if float(shut_pressure_after_bar(vessel, pressure_bar, temperature_c, middle)) < safe_bar:
            low = middle
        else:
            high = middle
    return high
