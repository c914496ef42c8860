"""Since when fermentation has been over: dated back from the proof, which comes a day or two after the fact.

A rate r in the middle of a window, dying away with the time constant τ, has r·τ still to come then, and had the limit L to
come τ·ln(L/(r·τ)) before (first order, as in `tail.py`). An estimate: within twelve hours in half of the tuning batches.
"""

import math

from ullage.detectors.ending_bound import Bound
from ullage.detectors.proof import Proof
from ullage.detectors.record import Record

LIKELY_SHARE = 0.5
"""A bound's tail is the slowest that may be; the likely one is half of it (fitted to the tuning batches, as is the next)."""
MOST_BACK = 1.5
"""Time constants: from a rate that is next to nothing alone nobody can tell how long it has been so."""
LEAST_G_PER_L_DAY = 0.02


def over_since_s(record: Record, bound: Bound, start_s: float, limit_g_per_l: float) -> float:
    """Return when no more than the limit was still to come, Unix seconds, by estimate.

    Parameters
    ----------
    record
        The batch, at the moment of the proof.
    bound
        What proves the end.
    start_s
        Beginning of the shut stretch, Unix seconds.
    limit_g_per_l
        CO2 to come at which fermentation counts as over, g/L.
    """
    production = bound.production
    if bound.proof is Proof.WORD:
        # what the beer gives off after shutting is no production, and would date the end too late
        hours = (record.now_s - start_s) / 3600
        production = record.production_beside_release(start_s, hours + 0.01) or production
    tail_h = LIKELY_SHARE * bound.tail_h
    to_come = max(production.rate_g_per_l_day, LEAST_G_PER_L_DAY) / 24 * tail_h
    back_h = tail_h * min(math.log(limit_g_per_l / to_come), MOST_BACK)
    middle_s = (production.start_s + production.end_s) / 2
    return min(max(middle_s - back_h * 3600, record.began_s), record.now_s)
