"""What the flow adds to the level of a smooth valve, and for how long.

More gas asks for a wider gap, and the spring for more pressure: small valves stand 0.1 to 0.2 bar higher at the height of
fermentation than where they reseat (common practice). As the flow fades the level comes down by as much. Yeast fades no
faster than it grew: until as long after the height as it took to get there, a level that falls within that reach of its
highest shows a fading flow, however evenly it falls.
"""

import math

import numpy as np

from ullage.detectors.co2 import COOLING_BAR_PER_K
from ullage.detectors.record import BAR, BEER, TIME, Record
from ullage.detectors.slopes import upper_median

MOST_LIFT_BAR = 0.2
PACE_S, LEVEL_S, DAY_S = 3600.0, 3 * 3600.0, 24 * 3600.0
HIGHER_BAR = 0.01
"""A level that is no higher by so much is the same: a creep of the valve, weather, the sensor's drift."""


class OverLift:
    """Keeps the highest level of a smooth valve, and when it was first there."""

    def __init__(self) -> None:
        self._top_bar = math.nan
        self._top_c = math.nan
        self._top_s = -math.inf

    def take(self, record: Record) -> None:
        """Take the newest frame of a batch at work."""
        valve = record.valve
        if self._top_s < valve.changed_s:
            self._top_bar = math.nan
        if valve.sealed or valve.word_shut_s is not None or not record.due(PACE_S):
            return
        rows = record.since(max(record.now_s - LEVEL_S, valve.opened_s, valve.changed_s))
        level_bar = upper_median(rows[:, BAR])
        if math.isnan(self._top_bar) or level_bar > self._top_bar + HIGHER_BAR:
            self._top_bar, self._top_s = level_bar, record.now_s
            self._top_c = float(np.nanmean(rows[:, BEER])) if not np.isnan(rows[:, BEER]).all() else math.nan

    def fades_until_s(self, record: Record) -> float:
        """Return until when the flow may still be fading from its height, s; -inf where no smooth valve is at work."""
        valve = record.valve
        if valve.sealed or valve.word_shut_s is not None or valve.cycles or math.isnan(self._top_bar):
            return -math.inf
        return 2 * self._top_s - record.began_s

    def rest_bar(self, record: Record) -> float | None:
        """Return the level now, bar, if the flow has had its time to fade and it has come down no further within a day."""
        if record.now_s < self.fades_until_s(record):
            return None
        rows = record.since(record.now_s - DAY_S)
        if not len(rows) or rows[-1, TIME] - rows[0, TIME] < 0.95 * DAY_S:
            return None
        first, last = (
            upper_median(part[:, BAR]) for part in (rows[: len(rows) // 4], rows[-len(rows) // 4 :])
        )
        return last if abs(last - first) < HIGHER_BAR else None

    def explains(self, record: Record) -> bool:
        """Tell whether the pressure is no further below its highest level than a fading flow, and cooling since, take it."""
        if record.now_s >= self.fades_until_s(record):
            return False
        cooled_k = max(self._top_c - record.beer_c, 0.0) if not math.isnan(self._top_c) else 0.0
        return record.last(BAR) > self._top_bar - MOST_LIFT_BAR - COOLING_BAR_PER_K * cooled_k
