"""Scales: round numbers and round local times."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.daemon.chart.ticks import elapsed_ticks, number_scale, time_ticks
from ullage.daemon.local_time import LocalTime

BERLIN = LocalTime.named("Europe/Berlin")


@given(st.floats(-100, 100), st.floats(1e-3, 200), st.integers(2, 10))
def test_a_scale_holds_its_values_and_few_ticks(low: float, width: float, count: int) -> None:
    """Everything lies within; ticks are even, round, within the scale, and say what they stand at."""
    scale = number_scale(low, low + width, count)
    assert scale.low <= low
    assert low + width <= scale.high
    assert 1 <= len(scale.ticks) <= count + 1
    at = [tick.at for tick in scale.ticks]
    assert all(scale.low <= place <= scale.high for place in at)
    assert [float(tick.text) for tick in scale.ticks] == pytest.approx(at, rel=1e-9, abs=1e-9)
    assert len({tick.text for tick in scale.ticks}) == len(at)


@pytest.mark.parametrize("ends", [(1.0, 1.0), (0.0, 0.0), (float("nan"), 1.0), (float("-inf"), 2.0)])
def test_a_scale_of_nothing_is_still_one(ends: tuple[float, float]) -> None:
    """A flat line, or none, gets a scale of some height."""
    scale = number_scale(*ends, 4)
    assert scale.high > scale.low
    assert scale.ticks


@given(st.integers(1_600_000_000, 1_900_000_000), st.integers(600, 400 * 86_400), st.integers(3, 14))
def test_times_are_round_by_the_clock_on_the_wall(start_s: int, span_s: int, count: int) -> None:
    """Ticks rise, lie within, are not too many, and stand at whole minutes of local time, DST or not."""
    ticks = time_ticks(start_s, start_s + span_s, count, BERLIN)
    at = [tick.at for tick in ticks]
    assert at == sorted(set(at))
    assert all(start_s <= moment <= start_s + span_s for moment in at)
    assert len(at) <= count + 2
    for tick in ticks:
        local = BERLIN.at(tick.at)
        assert local.second == 0
        if tick.major:
            assert (local.hour, local.minute) == (0, 0)
        else:
            assert tick.text == f"{local:%H:%M}"


def test_the_day_of_23_hours() -> None:
    """When clocks go forward (29 March 2026, 02:00 to 03:00) no tick stands at a time that was not."""
    start_s = datetime(2026, 3, 28, 23, tzinfo=UTC).timestamp()
    ticks = time_ticks(start_s, start_s + 6 * 3600, 8, BERLIN)
    assert [tick.text for tick in ticks] == [
        "Sun 29 Mar",
        "01:00",
        "03:00",
        "04:00",
        "05:00",
        "06:00",
        "07:00",
    ]


def test_days_from_pitching() -> None:
    """A comparison counts days, or hours where it is short."""
    assert [t.text for t in elapsed_ticks(-3600, 3 * 86_400, 8)] == ["day 0", "day 1", "day 2", "day 3"]
    assert [t.text for t in elapsed_ticks(0, 7200, 4)] == ["0 h", "1 h", "2 h"]
