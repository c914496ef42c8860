"""Ends by two clocks, both turned by hand."""

from ullage.daemon.clock import ManualClock
from ullage.daemon.countdowns import Countdowns

HOUR_S = 3600.0


def test_an_end_comes_when_its_time_has_passed_and_goes_on_being_told_while_it_stands() -> None:
    """Two hours from now by the wall clock, and one that is over already."""
    clock = ManualClock()
    countdowns = Countdowns[str](clock)
    now_s = clock.wall_s()
    standing = {"late": (now_s + 2 * HOUR_S, 12 * HOUR_S), "over": (now_s - HOUR_S, 12 * HOUR_S)}
    assert countdowns.ended(standing) == ["over"]
    clock.advance(2 * HOUR_S - 1)
    assert countdowns.ended(standing) == ["over"]
    clock.advance(1)
    assert countdowns.ended(standing) == ["late", "over"]


def test_a_clock_that_is_set_moves_no_end() -> None:
    """Set back by a day or forward by a year while it runs."""
    for step_s in (-24 * HOUR_S, 365 * 24 * HOUR_S):
        clock = ManualClock()
        countdowns = Countdowns[str](clock)
        standing = {"shelf": (clock.wall_s() + HOUR_S, 12 * HOUR_S)}
        assert countdowns.ended(standing) == []
        clock.step(step_s)
        clock.advance(HOUR_S - 1)
        assert countdowns.ended(standing) == []
        clock.advance(1)
        assert countdowns.ended(standing) == ["shelf"]


def test_an_end_that_a_wrong_clock_has_put_years_away_comes_within_the_longest_time() -> None:
    """A shelf that was made before the clock was set back."""
    clock = ManualClock()
    countdowns = Countdowns[str](clock)
    standing = {"shelf": (clock.wall_s() + 1e9, 12 * HOUR_S)}
    assert countdowns.ended(standing) == []
    clock.advance(12 * HOUR_S)
    assert countdowns.ended(standing) == ["shelf"]


def test_what_stands_no_longer_is_forgotten() -> None:
    """Named again, it is counted down anew."""
    clock = ManualClock()
    countdowns = Countdowns[str](clock)
    assert countdowns.ended({"alarm": (clock.wall_s() + HOUR_S, HOUR_S)}) == []
    assert countdowns.ended({}) == []
    clock.advance(HOUR_S)
    assert countdowns.ended({"alarm": (clock.wall_s() + HOUR_S, HOUR_S)}) == []
