"""The stated rule on time stamps."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.clock import ManualClock
from ullage.daemon.gate import Gate, Refused, WallClockGuard

NOW_S = 1_790_000_000.0


def pressure(time_s: float, value: float = 1.0) -> Reading:
    return Reading("north", Quantity.PRESSURE, time_s, value)


def test_a_fresh_reading_is_admitted() -> None:
    """The plain case."""
    assert Gate().admit(pressure(NOW_S), NOW_S) is None


@pytest.mark.parametrize(("ahead_s", "refused"), [(59.0, None), (61.0, Refused.FUTURE)])
def test_the_future_is_bounded_at_a_minute(ahead_s: float, refused: Refused | None) -> None:
    """A sender whose clock is far ahead is refused; a small difference is tolerated."""
    assert Gate().admit(pressure(NOW_S + ahead_s), NOW_S) is refused


def test_a_machine_whose_clock_was_never_set_refuses_nothing_as_future() -> None:
    """A board without a clock chip starts in 1970 or at its last shutdown; its sensors may know better."""
    assert Gate().admit(pressure(NOW_S), 1000.0) is None


@pytest.mark.parametrize(("behind_s", "refused"), [(86_000.0, None), (90_000.0, Refused.LATE)])
def test_old_readings_are_bounded_at_a_day_behind_what_was_judged(
    behind_s: float, refused: Refused | None
) -> None:
    """A backlog of hours is taken, one of days behind the newest is refused."""
    gate = Gate()
    gate.admit(pressure(NOW_S), NOW_S)
    assert gate.admit(pressure(NOW_S - behind_s), NOW_S) is refused


def test_a_backlog_of_days_in_order_is_taken() -> None:
    """What the broker kept while the daemon was down is newer than all that was judged."""
    gate = Gate()
    gate.remember(Quantity.PRESSURE, NOW_S - 5 * 86_400, 1.0)
    for day in (4, 3, 2, 1, 0):
        assert gate.admit(pressure(NOW_S - day * 86_400), NOW_S) is None


def test_a_fresh_reading_is_judged_after_a_clock_that_was_years_ahead() -> None:
    """Readings stamped by a wrong clock of this machine must not blind it later."""
    gate = Gate()
    wrong_s = NOW_S + 400 * 86_400
    gate.admit(pressure(wrong_s), wrong_s)
    assert gate.admit(pressure(NOW_S), NOW_S) is None


def test_a_repeat_is_known_by_time_and_value() -> None:
    """QoS 1 may deliver twice: one spike must not become two consecutive readings."""
    gate = Gate()
    assert gate.admit(pressure(NOW_S, 9.0), NOW_S) is None
    assert gate.admit(pressure(NOW_S, 9.0), NOW_S) is Refused.REPEATED
    assert gate.admit(pressure(NOW_S, 1.0), NOW_S) is None


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_refused(value: float) -> None:
    """A missing number must never look like a good one."""
    assert Gate().admit(pressure(NOW_S, value), NOW_S) is Refused.NOT_FINITE
    assert Gate().admit(pressure(value), NOW_S) is Refused.NOT_FINITE


@given(st.lists(st.tuples(st.integers(0, 200), st.integers(0, 3)), max_size=60))
def test_delivering_everything_twice_admits_the_same_as_once(arrivals: list[tuple[int, int]]) -> None:
    """The law of at-least-once delivery."""
    once, twice = Gate(), Gate()
    first = [once.admit(pressure(NOW_S + t / 10, v), NOW_S) for t, v in arrivals]
    second = []
    for t, v in arrivals:
        second.append(twice.admit(pressure(NOW_S + t / 10, v), NOW_S))
        assert twice.admit(pressure(NOW_S + t / 10, v), NOW_S) is Refused.REPEATED
    assert first == second


def test_steps_of_the_wall_clock_are_noticed_and_slewing_is_not() -> None:
    """Compared with the monotonic clock, of which two seconds count as a step."""
    clock = ManualClock()
    guard = WallClockGuard(clock)
    clock.advance(3600)
    assert guard.check() == 0
    for _ in range(10):  # slewed by half a second between looks
        clock.advance(10)
        clock.step(0.5)
        assert guard.check() == 0
    clock.step(-3600)
    assert guard.check() == pytest.approx(-3600)
    clock.step(1e9)
    assert guard.check() == pytest.approx(1e9)
    assert guard.check() == 0
