"""How long a fermentation goes on, as the answer to a shut-valve test tells it."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import HOUR_S, VALVED, Batch, of, stream, verdicts
from ullage.detectors.finding import Condition


@pytest.mark.parametrize("shut_h", [30.0, 40.0, 55.0, 70.0])
def test_the_time_to_go_is_told_within_a_factor_of_three(shut_h: float) -> None:
    """For a course that is as long as worts of its temperature take, as a rule; from 0.4 g/L to come on, it is over."""
    batch = Batch(vessel=VALVED, hours=300, tail_h=26.0)
    hours = np.arange(0.0, 300.0, 0.1)
    to_come = batch.total_g_per_l - batch.made_g_per_l(hours)
    true_h = float(hours[to_come > 0.4][-1]) - shut_h
    before = replace(batch, hours=shut_h + 1.5, opening_bar=1.2, shut=((shut_h, math.inf),)).samples()
    found = verdicts(VALVED, stream(before, (float(before.time_s[0]) + shut_h * HOUR_S, "valve shut")))
    (answer,) = of(found, Condition.STILL_FERMENTING)
    assert answer.value is not None
    assert true_h / 3 <= answer.value <= 3 * true_h
