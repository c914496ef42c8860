"""The later halves of slow teeth stop counting once gas comes fast again."""

import math

import numpy as np
import pytest

from tests.detectors.streams import (
    HOUR_S,
    VALVED,
    hours_in,
    merged,
    of,
    pressure,
    stream,
    temperature,
    verdicts,
)
from tests.detectors.teeth_streams import teeth
from ullage.detectors.finding import Condition
from ullage.detectors.samples import Kind


@pytest.mark.parametrize("after_h", [143.0, 147.0])
def test_teeth_that_come_fast_again_are_no_end(after_h: float) -> None:
    """Production has faded to a tooth in four hours, and the bound is nearly there; then the yeast is roused, and the valve
    opens every half hour. Left alone, the same batch would have been over within some hours."""
    batch = teeth(VALVED, days=9, rate_g_per_l_day=12.0, tail_h=35.0, exchange_per_h=0.5, drop_bar=0.1)
    rows = batch.samples.kind == Kind.PRESSURE
    time_s, bar = batch.samples.time_s[rows], batch.samples.value[rows]

    def ends_h(bars: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
        celsius = temperature(time_s + 5, np.full(len(bar), 18.0))
        given = stream(merged(pressure(time_s, bars), celsius), (float(time_s[0]), "pitched"))
        found = of(verdicts(VALVED, given), Condition.FINISHED)
        return hours_in(found[0]) if found else math.inf

    drops = np.flatnonzero(np.diff(bar) < -0.05)
    last = int(drops[time_s[drops] - time_s[0] < after_h * HOUR_S][-1])
    roused = bar.copy()
    minute = np.arange(len(bar) - last)
    roused[last:] = (
        1.1 + 0.1 * (minute % 30) / 30 + 0.0005 * np.random.default_rng(8).standard_normal(len(minute))
    )
    assert after_h < ends_h(bar) < after_h + 12
    assert math.isinf(ends_h(roused))
