"""Cold beer whose pressure has jumped: a gas bottle was connected, and the gauge runs days ahead of what the beer holds.

Cold, finished beer makes no gas, so a pressure that rises at one temperature came from outside. Until the beer has taken it up
(17 h to 7 days, as in `advice_bottle`) what the gauge would mean in balance is not what is in the glass.
"""

from dataclasses import dataclass

import numpy as np

from ullage.detectors.co2 import dissolved_g_per_l
from ullage.detectors.medians import median
from ullage.detectors.record import BAR, BEER, TIME, Record

BACK_S = 96 * 3600.0
"""How far back a bottle is looked for: by then most of its gas is in the beer."""
STEADY_K = 1.5
"""Beer within so little of now's temperature: its gas law and solubility move the gauge by less than a bottle does."""
RISEN_BAR = 0.1
"""A smaller rise is weather, or a fridge's swing."""
AT_ONCE = 0.7
"""Part of the rise that comes within an hour where a regulator gives it."""
FRAMES = 3
"""Frames of ten minutes to a median."""


@dataclass(frozen=True, slots=True)
class BottleOn:
    """What the beer held before, g/L, and for how many hours the bottle has been on."""

    before_g_per_l: float
    hours: float


def bottle_on(record: Record) -> BottleOn | None:
    """Return it where the pressure has been raised within four days in beer that is as cold as now; None if not."""
    rows = record.since(record.now_s - BACK_S)
    rows = rows[np.abs(rows[:, BEER] - record.beer_c) <= STEADY_K]
    if len(rows) < 3 * FRAMES:
        return None
    bars = rows[:, BAR]
    smooth = np.median(np.stack([bars[at : len(bars) - FRAMES + 1 + at] for at in range(FRAMES)]), axis=0)
    now_bar = median(bars[-FRAMES:].tolist())
    lowest = int(np.argmin(smooth))
    lowest_bar = float(smooth[lowest])
    if now_bar - lowest_bar < RISEN_BAR:
        return None
    jump = int(np.flatnonzero(smooth < (now_bar + lowest_bar) / 2)[-1])
    around = smooth[max(jump - FRAMES, 0) : jump + FRAMES + 1]
    if float(np.ptp(around)) < AT_ONCE * (now_bar - lowest_bar):
        return None  # what was vented for a dose comes back from the beer by and by
    since_s = float(rows[min(jump + FRAMES, len(rows) - 1), TIME])
    zero_bar = record.zero_bar or 0.0
    air_bar = record.vessel.air_pressure_bar
    before = float(dissolved_g_per_l(lowest_bar - zero_bar, float(rows[lowest, BEER]), air_bar))
    return BottleOn(before_g_per_l=before, hours=(record.now_s - since_s) / 3600)
