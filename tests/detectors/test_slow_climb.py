"""The line through three hours: a climb that is there, and none that noise, a fridge's swing or a gap makes."""

import math

import numpy as np
import pytest

from ullage.detectors.samples import FloatArray
from ullage.detectors.slow_climb import SlowClimb

MINUTES = np.arange(1.0, 241.0)


def after(bars: FloatArray, minutes: FloatArray = MINUTES) -> float:
    """Return the slope after these minutes, bar/h."""
    climb = SlowClimb()
    for minute, bar in zip(minutes.tolist(), bars.tolist(), strict=True):
        climb.take(minute * 60, bar)
    return climb.slope_bar_per_h


def noise(seed: int) -> FloatArray:
    """Return noise of 4 mbar, a value a minute."""
    return 0.004 * np.random.default_rng(seed).standard_normal(len(MINUTES))


@pytest.mark.parametrize("bar_per_h", [0.03, 0.1, 0.5])
def test_a_climb_is_measured(bar_per_h: float) -> None:
    """A plain line under noise: its slope by construction."""
    assert after(2.0 + bar_per_h * MINUTES / 60 + noise(1)) == pytest.approx(bar_per_h, rel=0.2)


@pytest.mark.parametrize("seed", range(20))
def test_noise_and_a_fall_are_no_climb(seed: int) -> None:
    """A level, and a pressure that comes down."""
    assert math.isnan(after(2.0 + noise(seed)))
    assert math.isnan(after(2.0 - 0.03 * MINUTES / 60 + noise(seed)))


def test_too_little_is_no_climb() -> None:
    """Two hours of one, one before a gap of a day, and none at all once it is forgotten."""
    bars = 2.0 + 0.1 * MINUTES / 60
    assert math.isnan(after(bars[:120], MINUTES[:120]))
    assert math.isnan(after(bars, np.where(MINUTES > 200, MINUTES + 1440, MINUTES)))
    climb = SlowClimb()
    for minute, bar in zip(MINUTES.tolist(), bars.tolist(), strict=True):
        climb.take(minute * 60, bar)
    assert climb.slope_bar_per_h > 0
    climb.forget()
    assert math.isnan(climb.slope_bar_per_h)
