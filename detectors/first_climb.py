"""The first minutes of a shut-valve test: a climb too steep to wait for a fit.

In a small head space a lively beer takes the pressure to the rated limit within half an hour, and the brewer ends the
test before a line through it is worth anything. The answer is plain all the same.
"""

from dataclasses import dataclass

import numpy as np

from ullage.detectors.production import Production
from ullage.detectors.record import BAR, TIME, Record

SETTLED_H = 6.0
"""A vessel shut for less has beer and gas out of balance: what it makes is told within bounds only."""
CLEAR_BAR = 0.06
"""A climb that no temperature explains within so short a time: 0.06 bar is 8 K of air on the head space."""
STEADY = 0.2
"""Least part of the mean climb that every frame shows: a jump that stands still after it is none."""


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
    ten. The geometric mean of the two is a fair guess in the first hour (tried on simulated vessels).
    """
    if shut_h >= SETTLED_H:
        return WHOLE
    least = record.head_space_g_per_l_bar / record.capacity_g_per_l_bar
    return Worth(least, least ** (0.5 * (1 - (shut_h / SETTLED_H) ** 2)))


def climbing_since_s(record: Record, start_s: float) -> float:
    """Return since when the pressure has been above where the valve opens, s, where nobody said that it is shut."""
    rows = record.since(start_s)
    opening_bar = record.valve.opening_bar
    if opening_bar is None:
        return start_s
    below = np.flatnonzero(rows[:, BAR] <= opening_bar + 2 * record.valve.frame_noise_bar)
    return float(rows[min(below[-1] + 1, len(rows) - 1), TIME]) if len(below) else start_s


def first_climb(record: Record, start_s: float) -> Production | None:
    """Return the production by the climb since the valve was shut at `start_s`, as if beer and gas were in balance; None if
    the climb is not plain yet.
    """
    rows = record.since(max(start_s - 60, record.trusted_since_s))
    if len(rows) < 3:  # between two, a jump looks like a climb
        return None
    steps_bar = np.diff(rows[:, BAR])
    climb_bar, hours = float(steps_bar.sum()), float(rows[-1, TIME] - rows[0, TIME]) / 3600
    valve = record.valve
    if climb_bar < max(CLEAR_BAR, 12 * valve.frame_noise_bar, 4 * valve.noise.step_bar):
        return None
    if float(steps_bar[-1]) < STEADY * climb_bar / len(steps_bar):
        return None
    per_day_bar = record.capacity_g_per_l_bar * 24 / hours
    return Production(
        rate_g_per_l_day=climb_bar * per_day_bar,
        se_g_per_l_day=valve.frame_noise_bar * per_day_bar,
        hours=hours,
        start_s=float(rows[0, TIME]),
        end_s=float(rows[-1, TIME]),
        residual_sd_bar=valve.frame_noise_bar,
    )
