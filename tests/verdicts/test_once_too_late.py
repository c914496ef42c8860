"""Batches in which something was once said too late: it stays in time.

The truth is the simulation's, whose physics are the benchmark's and none of the detectors'.
"""

import pytest

from tests.verdicts import judges
from tests.verdicts.generator import make_batch
from ullage.detectors.finding import Condition


@pytest.mark.parametrize("seed", [1000066, 1000069])
def test_a_stall_that_the_cold_explains_is_named_within_half_a_day(seed: int) -> None:
    """The beer still cools, so that what dissolves widens the interval of production for many hours."""
    batch = make_batch("stall_cold", seed)
    named = [one for one in judges.watch(batch) if one.condition is Condition.STALLED]
    assert 0 <= named[0].time_s - batch.truth.stall_s <= 12 * 3600
