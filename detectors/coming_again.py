"""Whether CO2 surely comes again after the end was called, at a temperature that can't have driven it out of the beer."""

from ullage.detectors.drop_worth import drop_share
from ullage.detectors.production import Production
from ullage.detectors.record import BEER, Record
from ullage.detectors.stalls import HARDLY_COLD_K

LEAST_H = 6.0
"""So long after the verdict a shut vessel still gives off what its beer held."""
WINDOW_H = 8.0
LEAST_FRAMES = 24
"""Half of the frames of that window."""
STEADY_K = 0.7
"""More change within the window, and solubility moves the pressure by as much as slow yeast does (60 mbar/K)."""
ASLEEP_K = 5.0
"""Beer so much colder than when it was over was chilled: a pressure that rises there is gas from a bottle."""


def coming_again(record: Record, since_s: float, going_g_per_l_day: float) -> Production | None:
    """Return the production since a moment (s) that is surely above a rate (g/L/day); None if there is none, or it can't be told."""
    if (
        record.now_s - since_s < LEAST_H * 3600
        or record.chill_s is not None
        or record.valve.opened_s > since_s
    ):
        return None
    while_warm, rows = record.since(since_s), record.since(record.now_s - WINDOW_H * 3600)
    if len(rows) < LEAST_FRAMES or abs(float(rows[0, BEER]) - float(rows[-1, BEER])) > STEADY_K:
        return None
    if record.beer_c < float(while_warm[0, BEER]) - ASLEEP_K or _below_range(record):
        return None
    share = drop_share(record) if record.valve.cycles else 1.0
    # a bottle that was connected raises the pressure at once, yeast hour by hour
    for hours in (WINDOW_H / 2, WINDOW_H):
        production = record.production_over(since_s, hours)
        if production is None or production.low * share < going_g_per_l_day:
            return None
    return production


def _below_range(record: Record) -> bool:
    limits = record.vessel.yeast_temperature_c
    return limits is not None and record.beer_c < limits[0] - HARDLY_COLD_K
