"""Where a smooth valve came to rest, and how far below that the pressure has gone.

A smooth valve's level falls with the flow, until nothing flows and it is shut. Once most worts are done, a level that has stood
for a day is that one or near it, and below it the valve lets nothing off: what goes on falling there, in beer no colder, leaks.
"""

from dataclasses import dataclass

import numpy as np

from ullage.detectors.co2 import COOLING_BAR_PER_K
from ullage.detectors.production import Production
from ullage.detectors.record import BAR, BEER, TIME, Record
from ullage.detectors.slopes import upper_median
from ullage.detectors.suspicion import ENOUGH
from ullage.detectors.usual_time import Progress

PACE_S = 3600.0
DAY_S, CHUNK_S = 24 * 3600.0, 6 * 3600.0
STOOD_BAR = 0.008
"""A level that has moved by no more in a day has stood; a fading flow slides by more, as long as there is much of it."""
SAME_K = 1.0
"""Only beer that was never so much warmer or colder is judged: what a valve lets off while it is warm is missing when it is cool again."""
LEAST_BAR, MOST_BAR, SHARE = 0.05, 0.08, 0.08
"""So far below it is told: a share of the level, at least what the weather does to a gauge sensor within days."""
LONG_H, LATELY_H = 24.0, 8.0
"""The content has to fall for so long, and still."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stood:
    """A level at which the pressure stood for a day."""

    time_s: float
    bar: float
    beer_c: float


class BelowItsLevel:
    """Keeps the lowest level that a smooth valve held for a day, late in a batch."""

    def __init__(self) -> None:
        self._time = Progress()
        self._stood: Stood | None = None

    def take(self, record: Record, fades_until_s: float) -> None:
        """Take the newest frame of a batch at work, whose flow may still lift the level until then: time goes by, faster in the warm."""
        now_s, valve = record.now_s, record.valve
        self._time.take(now_s, record.beer_c)
        touched_s = _touched_s(record)
        if self._stood is not None and self._stood.time_s < touched_s:
            self._stood = None
        smooth = not valve.sealed and valve.word_shut_s is None and valve.held.since_s is not None
        if not smooth or valve.cycles or self._time.share < ENOUGH or not record.due(PACE_S):
            return
        if now_s < fades_until_s:
            return  # a level may stand at the height of a slow flow, too
        stood = _stands(record, touched_s)
        if stood is not None and (self._stood is None or stood.bar < self._stood.bar):
            self._stood = stood

    def loss(self, record: Record) -> tuple[float, Production] | None:
        """Return by how much the pressure is below that level, bar, and the loss of the last day; None where that is no leak."""
        stood = self._stood
        if stood is None or record.chill_s is not None or record.valve.sealed:
            return None
        rows = record.since(stood.time_s - DAY_S)
        beer_c = rows[:, BEER]
        if not (np.abs(beer_c - stood.beer_c) < SAME_K).all():
            return None  # a warm spell lets more off; nor is anything known where no thermometer says so
        half_day = ((rows[-1, TIME] - rows[:, TIME]) // (2 * CHUNK_S)).astype(np.intp)
        means_c = np.bincount(half_day, beer_c) / np.maximum(np.bincount(half_day), 1)
        cooled_bar = COOLING_BAR_PER_K * float(means_c.max() - means_c[0])
        below_bar = stood.bar - upper_median(rows[-3:, BAR])
        if below_bar - cooled_bar < min(max(SHARE * stood.bar, LEAST_BAR), MOST_BAR):
            return None
        since_s = max(stood.time_s - DAY_S, _touched_s(record))
        long, lately = record.loss_over(since_s, LONG_H), record.loss_over(since_s, LATELY_H)
        if long is None or lately is None or long.hours < 0.9 * LONG_H:
            return None
        return (below_bar, long) if long.high < 0 and lately.rate_g_per_l_day < 0 else None


def _touched_s(record: Record) -> float:
    """Return since when nobody has let gas off or turned the valve, and the head space has settled, s."""
    valve = record.valve
    return max(valve.opened_s + 7200, valve.changed_s, record.vented_s + 3600)


def _stands(record: Record, touched_s: float) -> Stood | None:
    """Return the level of the last day if it has stood, at a steady temperature."""
    rows = record.since(max(record.now_s - DAY_S, touched_s))
    if not len(rows) or rows[-1, TIME] - rows[0, TIME] < 0.95 * DAY_S or np.isnan(rows[:, BEER]).any():
        return None
    chunk = ((rows[-1, TIME] - rows[:, TIME]) // CHUNK_S).astype(np.intp)
    levels = [upper_median(rows[chunk == one, BAR]) for one in range(4) if (chunk == one).any()]
    noise = record.valve.noise
    if max(levels) - min(levels) > max(STOOD_BAR, 3 * noise.frame_sd_bar, noise.step_bar):
        return None
    if np.ptp(rows[:, BEER]) > 2 * SAME_K:
        return None
    return Stood(time_s=record.now_s, bar=min(levels), beer_c=upper_median(rows[:, BEER]))
