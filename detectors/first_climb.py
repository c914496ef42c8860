"""The first minutes of a shut-valve test: a climb too steep to wait for a fit.

In a small head space a lively beer takes the pressure to the rated limit within a quarter or half of an hour, and the brewer
ends the test before a line through its frames is worth anything. The minutes are plain enough.
"""

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from ullage.detectors.frames import Frame
from ullage.detectors.production import Production
from ullage.detectors.record import BAR, TIME, Record

SETTLED_H = 6.0
"""A vessel shut for less has beer and gas out of balance: what it makes is told within bounds only."""
HALF_H = 0.5
"""When the slope is likely worth the geometric mean of head space and all: minutes to hours, by head space and stirring."""
CLEAR_BAR = 0.06
"""A climb that no temperature explains within so short a time: 0.06 bar is 8 K of air on the head space."""
STEADY = 0.2
"""Least part of the mean climb that every third of the time shows (or every half, of three readings): a jump is none."""
LEAST_S = 240.0
MEDIAN_S = 60.0
"""A minute's value is the median of three readings: those just after the valve was shut may be of before."""


@dataclass(frozen=True, slots=True)
class Worth:
    """Which part of the capacity in balance the slope of a vessel that was just shut is worth."""

    least: float
    likely: float


WHOLE = Worth(1.0, 1.0)


def worth(record: Record, shut_h: float) -> Worth:
    """Return what the slope is worth so long after the valve was shut.

    Beer in full swing goes on giving off what it makes, to the head space alone; only as the pressure rises does it keep
    more of it. So at first the slope is worth the head space's capacity, later all of it; how soon differs by a factor of
    ten. The course between them is a guess that held within a factor of two and a half on simulated vessels.
    """
    if shut_h >= SETTLED_H:
        return WHOLE
    least = record.head_space_g_per_l_bar / record.capacity_g_per_l_bar
    fresh = (1 - (shut_h / SETTLED_H) ** 2) / (1 + shut_h / HALF_H)
    return Worth(least, least**fresh)


def climbing_since_s(record: Record, start_s: float) -> float:
    """Return since when the pressure has been above where the valve opens, s, where nobody said that it is shut."""
    rows = record.since(start_s)
    opening_bar = record.valve.opening_bar
    if opening_bar is None:
        return start_s
    below = np.flatnonzero(rows[:, BAR] <= opening_bar + 2 * record.valve.frame_noise_bar)
    return float(rows[min(below[-1] + 1, len(rows) - 1), TIME]) if len(below) else start_s


class FirstClimb:
    """Keeps the last forty minutes."""

    def __init__(self) -> None:
        self._minutes: deque[tuple[float, float]] = deque(maxlen=40)

    def take(self, frame: Frame) -> None:
        """Take the minutes of the newest frame."""
        self._minutes.extend(zip(frame.minute_end_s, frame.minute_bar, strict=True))

    def production(self, record: Record, start_s: float, until_s: float = math.inf) -> Production | None:
        """Return the production by the climb since the valve was shut at `start_s`, as if beer and gas were in balance; None
        if the climb is not plain yet, or was not by `until_s`.
        """
        valve = record.valve
        since_s = max(start_s + MEDIAN_S, record.trusted_since_s)
        time_s, bar = (
            np.array([one for one in self._minutes if since_s <= one[0] <= until_s]).reshape(-1, 2).T
        )
        if len(time_s) < 3 or time_s[-1] - time_s[0] < LEAST_S:
            return None
        parts_bar = np.diff(bar[np.linspace(0, len(bar) - 1, min(len(bar), 4)).astype(int)])
        climb_bar, hours = float(parts_bar.sum()), float(time_s[-1] - time_s[0]) / 3600
        noise_bar = valve.noise.minute_sd_bar
        if climb_bar < max(CLEAR_BAR, 12 * noise_bar, 4 * valve.noise.step_bar):
            return None
        if float(parts_bar.min()) < STEADY * climb_bar / len(parts_bar):
            return None
        per_day_bar = record.capacity_g_per_l_bar * 24 / hours
        return Production(
            rate_g_per_l_day=climb_bar * per_day_bar,
            se_g_per_l_day=1.5 * noise_bar * per_day_bar,
            hours=hours,
            start_s=float(time_s[0]),
            end_s=float(time_s[-1]),
            residual_sd_bar=noise_bar,
        )
