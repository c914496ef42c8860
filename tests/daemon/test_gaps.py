"""Readings that are missing, by the times of those before and after."""

import pytest

from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.gaps import GAP_S, Gaps

T0 = 1_790_000_000.0


def gaps(*times_s: float) -> list[float]:
    """Return the gaps found in one sensor's times, in the order given."""
    found = Gaps()
    each = [found.after(Reading("north", Quantity.PRESSURE, T0 + time_s, 1.0)) for time_s in times_s]
    return [gap_s for gap_s in each if gap_s]


@pytest.mark.parametrize("every_s", [1, 10, 25])
def test_a_jump_in_a_sensor_s_times_is_one_gap(every_s: int) -> None:
    """It is as long as the time between the readings on both sides."""
    before = [every_s * n for n in range(100)]
    after = [before[-1] + GAP_S + 1 + every_s * n for n in range(100)]
    assert gaps(*before, *after) == [GAP_S + 1]


@pytest.mark.parametrize("every_s", [1, 60, 600, 3600])
def test_a_sensor_s_own_pace_is_no_gap(every_s: int) -> None:
    """However slow: nor when it misses a few."""
    assert gaps(*[every_s * n for n in range(0, 100, 1)], *[every_s * n for n in (100, 104, 105)]) == []


def test_before_its_pace_is_known_nothing_is_said() -> None:
    """The first reading of a batch may come hours after a trial of the sensor."""
    assert gaps(0, 1, 7200, 7201, 7202) == []


def test_what_comes_late_neither_makes_a_gap_nor_hides_one() -> None:
    """A backlog may come before or after the newest reading."""
    assert gaps(*range(100), 3600, *range(200, 300), 3601) == [3600 - 99]


def test_sensors_are_told_apart() -> None:
    """One that falls silent while another speaks is a gap of its own when it is back."""
    found, total = Gaps(), []
    for time_s in [*range(50), *range(1000, 1050)]:
        total.append(found.after(Reading("north", Quantity.PRESSURE, T0 + time_s, 1.0)))
    for time_s in range(0, 1050, 10):
        total.append(found.after(Reading("north", Quantity.TEMPERATURE, T0 + time_s, 19.0)))
        total.append(found.after(Reading("south", Quantity.PRESSURE, T0 + time_s, 1.0)))
    assert [gap_s for gap_s in total if gap_s] == [951.0]
