"""A vessel that cooling has shut by itself: the beer takes up gas, and pressure falls far below what the valve holds.

A valve that passes gas pins the pressure to its reseat level and a little above, however the temperature goes: an over-lift
that fades with the flow, 0.1 to 0.2 bar at the height and next to nothing near the end (small valves, common practice). So
a pressure that cooling has taken further down is that of a shut vessel, and what it does from then on counts.

One thing hides production there: beer that is colder than its gas goes on taking up CO2. How much it may still take up is
known, since the sum of beer and head space is: at balance it is what it was when the vessel came to be shut.
"""

import math
from dataclasses import replace

import numpy as np

from ullage.detectors.ending_bound import Bound
from ullage.detectors.ending_by_gravity import far_enough
from ullage.detectors.proof import Proof
from ullage.detectors.record import BAR, TIME, Record
from ullage.detectors.stalls import SOON
from ullage.detectors.usual_time import pace_per_h

SURELY_BELOW_BAR = 0.12
"""Fall below the held level beyond what fading flow explains."""
LEFT_BAR = 0.03
"""A pressure so far below the held level has left it."""
BACK_S, BEFORE_S = 96 * 3600.0, 12 * 3600.0
"""How far back that moment is looked for, and for how long before it the least content."""
MATCHED = 0.5
"""Share of what the beer may still take up that production may match, hour by hour, for as long as the bound has to stand."""


def shut_by_cooling(record: Record, progress: float) -> bool:
    """Tell whether cooling has surely shut the vessel, behind a valve that passes smoothly, when most worts are done.

    `progress` is the suspicion's: the share of the usual time, each hour by its temperature.
    """
    valve = record.valve
    if valve.proof is not Proof.COOLED or valve.cycles or valve.held.bar is None:
        return False
    if record.thermometer.in_air or record.vessel.yeast_temperature_c is None:
        return False
    since_h = (record.now_s - valve.shut_s) / 3600
    done = progress - since_h * pace_per_h(record.beer_c) >= SOON or far_enough(record)
    # flow may have lifted the level since it was first held: then it falls back to there by itself
    rest_bar = min(valve.held.bar, valve.held.first_bar or math.inf)
    return done and rest_bar - record.last(BAR) >= SURELY_BELOW_BAR


def beside_uptake(record: Record, bound: Bound, progress: float) -> Bound:
    """Return a bound with what the cool hides: yeast that is slower than before, and gas that the beer takes up unseen."""
    slower = _slower(record, progress)
    most_g_per_l = bound.most_g_per_l * slower + _hidden_g_per_l(record)
    return replace(bound, most_g_per_l=most_g_per_l, tail_h=bound.tail_h * slower)


def _hidden_g_per_l(record: Record) -> float:
    """Return how much production the beer may hide by taking up CO2, g/L: what beer and head space would hold in balance
    as they are now, less the least that they held when pressure left the level of the valve."""
    rows = record.since(record.now_s - BACK_S)
    held = np.flatnonzero(rows[:, BAR] >= (record.valve.held.bar or math.inf) - LEFT_BAR)
    if not len(held):
        return math.inf
    rows = rows[: held[-1] + 1]
    rows = rows[rows[:, TIME] >= rows[-1, TIME] - BEFORE_S]
    now = float(record.co2_g_per_l(record.since(record.now_s))[-1])
    return MATCHED * max(now - float(record.co2_g_per_l(rows).min()), 0.0)


def _slower(record: Record, progress: float) -> float:
    """Return how much slower yeast works now than at the mean temperature of its age; 1 if it is no slower."""
    return max(progress / (record.age_h * pace_per_h(record.beer_c)), 1.0)
