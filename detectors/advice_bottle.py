"""Gas that the bottle must add to cold beer, and how long a quiet surface takes over it.

Uptake is first order: the gap to balance shrinks as exp(-t/tau). kL of 1e-5 to 1e-6 m/s (from memory; diffusion alone
would take years, natural convection sets the pace) makes tau 12 to 125 h for 0.45 m of beer. Practice reports one to
two weeks. So a range is given, and the sign to go by: a gauge that stands still with the bottle shut off.
"""

import math
from dataclasses import dataclass

from ullage.detectors.co2 import capacity_g_per_l_bar, solubility_g_per_l_bar
from ullage.detectors.vessel import Vessel

CLOSE = 0.05
"""Carbonation within 5 % of the wanted counts as reached: the solubility is not known better."""
UPTAKE_H = (12.0, 125.0)
"""Time constant of a quiet surface, h: 0.45 m of beer over kL of 1e-5 to 1e-6 m/s (from memory; natural convection)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BottleGas:
    """What the bottle adds to the cold beer."""

    grams: float
    """CO2 for beer and head space together."""
    regulator_bar: float
    reaches_g_per_l: float
    """Carbonation in the end: the wanted one, or less if the rated limit is in the way even when cold."""
    hours: tuple[float, float]
    """Quickest and slowest, left alone, until within 5 % of `reaches_g_per_l`."""
    text: str


def bottle_gas(
    vessel: Vessel,
    wanted_g_per_l: float,
    cold_c: float,
    cold_co2_bar: float,
    cold_air_bar: float,
    limit_bar: float,
) -> BottleGas:
    """Return what takes the cold beer from `cold_co2_bar` (partial pressure) to the wanted carbonation.

    Uptake of a quiet surface is first order: the gap to balance shrinks as exp(-t/tau), tau 12 to 125 h.
    """
    in_cold_beer = float(solubility_g_per_l_bar(cold_c))
    needed_bar = wanted_g_per_l / in_cold_beer + cold_air_bar - vessel.air_pressure_bar
    regulator_bar = min(needed_bar, limit_bar)
    co2_bar = regulator_bar + vessel.air_pressure_bar - cold_air_bar
    reaches = co2_bar * in_cold_beer
    grams = float(capacity_g_per_l_bar(vessel, cold_c) * vessel.beer_volume_l * (co2_bar - cold_co2_bar))
    gap = 1 - cold_co2_bar / co2_bar
    constants = max(math.log(gap / CLOSE), 0.0) if gap > 0 else 0.0
    quick_h, slow_h = (constants * tau_h for tau_h in UPTAKE_H)
    text = f"connect the bottle at {regulator_bar:.2f} bar and let the cold beer take up about {grams:.0f} g of CO2"
    if constants > 0:
        text += (
            f"; left alone that takes between {span_text(quick_h)} and {span_text(slow_h)}, as a quiet surface passes "
            "gas slowly: it is done when the bottle is shut off and the gauge stands still for a day"
        )
    else:
        text += "; without it the beer is within 5 % of that already"
    if reaches < wanted_g_per_l * (1 - 1e-9):
        text += f"; the rated limit allows no more than {reaches:.1f} g/L at {cold_c:g} °C, so chill further"
    return BottleGas(
        grams=grams,
        regulator_bar=regulator_bar,
        reaches_g_per_l=reaches,
        hours=(quick_h, slow_h),
        text=text,
    )


def span_text(hours: float) -> str:
    """Return hours, or days from two on, for a person."""
    return f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.0f} days"
