"""Batches in which something was once said too late: it stays in time.

The truth is the simulation's, whose physics are the benchmark's and none of the detectors'.
"""

import pytest

from tests.verdicts import judges
from tests.verdicts.generator import make_batch
from ullage.detectors.finding import Condition, State


@pytest.mark.parametrize("seed", [1000066, 1000069])
def test_a_stall_that_the_cold_explains_is_named_within_half_a_day(seed: int) -> None:
    """The beer still cools, so that what dissolves widens the interval of production for many hours."""
    batch = make_batch("stall_cold", seed)
    named = [one for one in judges.watch(batch) if one.condition is Condition.STALLED]
    assert 0 <= named[0].time_s - batch.truth.stall_s <= 12 * 3600


def test_a_gravity_that_stands_high_is_not_told_hour_by_hour() -> None:
    """A smooth valve's pressure wavers as if gas came again, and took the alarm back eleven times."""
    batch = make_batch("floating_gravity", 1000154)
    named = [
        one for one in judges.watch(batch) if one.condition is Condition.STALLED and one.state is State.RAISED
    ]
    assert 1 <= len(named) <= 4
