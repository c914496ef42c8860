"""How fast gas is made, roughly, over half a day: to see a fermentation slow down, never to conclude its end.

In a sealed vessel, or behind a valve that lets gas off in drops, pressure with all drops added up climbs with what is
made. Behind a valve that passes gas smoothly nothing climbs, and no pace is known.
"""

import math
from dataclasses import dataclass

from ullage.detectors.record import TIME, TOTAL, Record
from ullage.detectors.suspicion import pace_per_h

WINDOW_S = 12 * 3600.0
EVERY_S = 1800.0
SURE_S = 6 * 3600.0
"""So long the pace must be low before it counts."""
LEAST_PROGRESS = 0.5
"""Share of the time that a wort at these temperatures takes to make nine tenths of its gas: no fermentation slows down
before (suspicion.py has the times); a valve that stops showing its drops looks like it."""


@dataclass(slots=True)
class Pace:
    """Mean rate of the last half day and the highest so far, g/L/day; NaN where it can't be told."""

    rate: float = math.nan
    peak: float = math.nan
    low_s: float | None = None
    """Since when the rate has been below the share of its peak."""
    progress: float = 0.0

    def take(self, now_s: float, record: Record, share: float) -> None:
        """Look once in half an hour."""
        if now_s % EVERY_S >= 1.0:
            return
        self.rate = math.nan
        self.progress += pace_per_h(record.beer_c) * EVERY_S / 3600
        if not (record.valve.sealed or record.valve.cycles):
            return
        rows = record.since(now_s - WINDOW_S)
        if len(rows) < 2 or rows[-1, TIME] - rows[0, TIME] < 0.8 * WINDOW_S:
            return
        days = (rows[-1, TIME] - rows[0, TIME]) / 86_400
        self.rate = max(float(rows[-1, TOTAL] - rows[0, TOTAL]), 0.0) * record.capacity_g_per_l_bar / days
        self.peak = self.rate if math.isnan(self.peak) else max(self.peak, self.rate)
        if self.rate > share * self.peak:
            self.low_s = None
        elif self.low_s is None:
            self.low_s = now_s

    def slow(self, now_s: float) -> bool:
        """Tell whether the rate has been low for long enough."""
        return self.progress >= LEAST_PROGRESS and self.low_s is not None and now_s - self.low_s >= SURE_S
