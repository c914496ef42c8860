"""A staircase down is no valve at work: told by drops written out here."""

import pytest

from tests.detectors.streams import VALVED
from ullage.detectors.sinking import sinking_since_s
from ullage.detectors.teeth import Drop
from ullage.detectors.valve import Valve

HOUR_S = 3600.0


def valve_with(*drops: tuple[float, float, float]) -> Valve:
    """Return a valve that has seen drops of (hour, peak, trough)."""
    valve = Valve(VALVED)
    valve.teeth.drops.extend(Drop(hour * HOUR_S, peak, trough) for hour, peak, trough in drops)
    return valve


def test_drops_without_a_rise_between_them_are_no_valve() -> None:
    """Each begins where the one before it ended: pressure sinks since the first of them."""
    tooth = (0.0, 1.20, 1.15)
    staircase = [(10.0, 1.20, 1.18), (11.0, 1.16, 1.14), (12.0, 1.11, 1.09)]
    assert sinking_since_s(valve_with(tooth, *staircase)) == 10 * HOUR_S


@pytest.mark.parametrize(
    "drops",
    [
        pytest.param([], id="none"),
        pytest.param([(0.0, 1.2, 1.1), (2.0, 1.2, 1.1), (4.0, 1.2, 1.1)], id="a valve that cycles"),
        pytest.param([(0.0, 1.2, 1.0), (0.2, 1.0, 0.8), (0.5, 0.8, 0.6)], id="a hand that vents in steps"),
        pytest.param([(0.0, 1.2, 1.1), (3.0, 1.1, 1.0)], id="two are not enough"),
    ],
)
def test_other_drops_are_left_to_the_valve(drops: list[tuple[float, float, float]]) -> None:
    """Drops that pressure comes back from, that a hand made, or too few of them."""
    assert sinking_since_s(valve_with(*drops)) is None
