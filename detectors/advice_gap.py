"""What cold beer lacks of the carbonation wanted, or has too much of, and how it gets there.

Mass balance of beer and head space as in `co2`; the bottle's part and its time as in `advice_bottle`.

Examples
--------
>>> vessel = Vessel(name="north", total_volume_l=23, beer_volume_l=19, rated_pressure_bar=2.5)
>>> gap_text(vessel, 5.0, 0.7, 2.0)
''
>>> gap_text(vessel, 4.0, 0.7, 2.0).split(":")[0]
'That is more than the 4.0 g/L wanted'
"""

from ullage.detectors.advice_bottle import CLOSE, bottle_gas
from ullage.detectors.advice_limits import SAFE_POSITIVE_BAR, working_limit_bar
from ullage.detectors.co2 import (
    capacity_g_per_l_bar,
    dissolved_g_per_l,
    gauge_for_carbonation_bar,
)
from ullage.detectors.vessel import Vessel


def gap_text(vessel: Vessel, wanted_g_per_l: float, pressure_bar: float, beer_c: float) -> str:
    """Return what to do about a carbonation that is off by more than 5 %; empty if it is near enough."""
    air_bar = vessel.air_pressure_bar
    holds = float(dissolved_g_per_l(pressure_bar, beer_c, air_bar))
    if holds < wanted_g_per_l * (1 - CLOSE):
        limit_bar = working_limit_bar(vessel)
        bottle = bottle_gas(vessel, wanted_g_per_l, beer_c, pressure_bar + air_bar, 0.0, limit_bar)
        return f"That is short of the {wanted_g_per_l:.1f} g/L wanted: {bottle.text}."
    if holds <= wanted_g_per_l * (1 + CLOSE):
        return ""
    balance_bar = float(gauge_for_carbonation_bar(wanted_g_per_l, beer_c, air_bar))
    target_bar = max(balance_bar, SAFE_POSITIVE_BAR)
    if pressure_bar <= target_bar:
        return ""
    grams = float(capacity_g_per_l_bar(vessel, beer_c)) * vessel.beer_volume_l * (pressure_bar - target_bar)
    return (
        f"That is more than the {wanted_g_per_l:.1f} g/L wanted: let about {grams:.0f} g of CO2 off, a little at a time "
        f"and slowly, as it foams, over days, until the gauge stands still at {target_bar:.2f} bar. It gathers low and "
        "is dangerous in a closed room: open door or window first."
    )
