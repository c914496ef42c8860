"""Regulator pressure for serving, and what happens if the beer is served warmer.

Solubility as in `co2` (source there); limits as in `advice_limits`.

Examples
--------
>>> vessel = Vessel(name="north", total_volume_l=23, beer_volume_l=19, rated_pressure_bar=2.5)
>>> round(serving_advice(vessel, 5.0, 6.0).regulator_bar, 2)
0.94
"""

from dataclasses import dataclass

from ullage.detectors.advice_limits import (
    SAFE_POSITIVE_BAR,
    check_carbonation,
    check_temperature,
    working_limit_bar,
)
from ullage.detectors.co2 import dissolved_g_per_l, gauge_for_carbonation_bar
from ullage.detectors.vessel import Vessel

WARMER_K = 4.0
"""How much warmer `serving_advice` looks: a fridge opened often, or a line outside it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ServingAdvice:
    """Regulator pressure, bar gauge, that keeps a carbonation, and what warmth does to it."""

    wanted_g_per_l: float
    serving_c: float
    regulator_bar: float
    allowed: bool
    """Whether the vessel's limit, less its margin, allows that pressure."""
    warmer_c: float
    warmer_g_per_l: float
    """Carbonation in balance at `warmer_c` if the regulator stays as it is."""
    warmer_regulator_bar: float
    """Pressure that would keep the carbonation at `warmer_c`."""
    text: str


def serving_advice(
    vessel: Vessel, wanted_g_per_l: float, serving_c: float, warmer_k: float = WARMER_K
) -> ServingAdvice:
    """Return the regulator pressure for serving: wanted / s(serving) - air (see `co2` for s).

    Raises
    ------
    ValueError
        If a temperature lies outside -2 to 40 °C or the carbonation outside 0 to 20 g/L.
    """
    warmer_c = serving_c + warmer_k
    check_temperature("serving_c", serving_c)
    check_temperature("warmer_c", warmer_c)
    check_carbonation(wanted_g_per_l)
    air_bar = vessel.air_pressure_bar
    regulator_bar = float(gauge_for_carbonation_bar(wanted_g_per_l, serving_c, air_bar))
    warmer_bar = float(gauge_for_carbonation_bar(wanted_g_per_l, warmer_c, air_bar))
    warmer_g_per_l = float(dissolved_g_per_l(regulator_bar, warmer_c, air_bar))
    limit_bar = working_limit_bar(vessel)
    if regulator_bar > limit_bar:
        text = (
            f"{wanted_g_per_l:.1f} g/L at {serving_c:g} °C would ask for {regulator_bar:.2f} bar, and the vessel's "
            f"limit allows {limit_bar:.2f} bar: serve colder or with less gas."
        )
    elif regulator_bar < SAFE_POSITIVE_BAR:
        text = (
            f"At {serving_c:g} °C beer holds {wanted_g_per_l:.1f} g/L with hardly any pressure "
            f"({regulator_bar:.2f} bar); keep {SAFE_POSITIVE_BAR:g} bar on it so that no air gets in."
        )
    else:
        text = (
            f"Set the regulator to {regulator_bar:.2f} bar for {wanted_g_per_l:.1f} g/L at {serving_c:g} °C. Served at "
            f"{warmer_c:g} °C it foams, and within days falls to {warmer_g_per_l:.1f} g/L; keeping the gas in it there "
            f"would take {warmer_bar:.2f} bar"
            + (", more than the vessel's limit allows." if warmer_bar > limit_bar else ".")
        )
    return ServingAdvice(
        wanted_g_per_l=wanted_g_per_l,
        serving_c=serving_c,
        regulator_bar=regulator_bar,
        allowed=regulator_bar <= limit_bar,
        warmer_c=warmer_c,
        warmer_g_per_l=warmer_g_per_l,
        warmer_regulator_bar=warmer_bar,
        text=text,
    )
