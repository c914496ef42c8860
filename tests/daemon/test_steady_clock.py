"""The daemon's clock over a machine's that is set, unset and set again."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.daemon.clock import ManualClock
from ullage.daemon.gate import FUTURE_S
from ullage.daemon.steady_clock import BEHIND_RECORD_S, SLOWER, SMALL_S, SteadyClock

T0 = 1_790_000_000.0


def test_a_small_step_back_is_made_up_for_by_going_slower() -> None:
    """Half a minute takes ten, and no second of it goes backwards."""
    machine = ManualClock(T0)
    clock = SteadyClock(machine)
    machine.step(-30)
    assert clock.wall_s() == T0
    machine.advance(100)
    assert clock.wall_s() == T0 + 100 * (1 - SLOWER)
    machine.advance(600)
    assert clock.wall_s() == machine.wall_s()


def test_forward_and_far_back_are_followed_at_once() -> None:
    """A clock that was an hour ahead was wrong before; one that is behind now was late."""
    machine = ManualClock(T0)
    clock = SteadyClock(machine)
    for step_s in (45.0, 3600.0, -3600.0, -SMALL_S - 1, 1e8):
        machine.step(step_s)
        assert clock.wall_s() == machine.wall_s()


@given(st.lists(st.floats(-SMALL_S, 3600), max_size=20), st.floats(0.1, 100))
def test_it_never_goes_back_by_a_little(steps_s: list[float], pause_s: float) -> None:
    """Whatever small steps the machine makes, stamps grow, until the sum of them is more than a little."""
    machine = ManualClock(T0)
    clock = SteadyClock(machine)
    stamps = [clock.wall_s()]
    for step_s in steps_s:
        machine.step(step_s)
        machine.advance(pause_s)
        stamps.append(clock.wall_s())
    falls = [before - after for before, after in pairwise(stamps) if after < before]
    assert all(fall > SMALL_S - pause_s for fall in falls)


def test_without_a_clock_chip_it_goes_on_from_the_record() -> None:
    """1970 until the time arrives; meanwhile stamps follow those of the last shutdown."""
    machine = ManualClock(100.0)
    clock = SteadyClock(machine, T0)
    assert clock.wall_s() == T0
    assert not clock.set_right()
    assert clock.others_by_s() == 100.0
    machine.advance(50)
    assert clock.wall_s() == T0 + 50
    machine.step(T0 + 7200)
    assert clock.wall_s() == machine.wall_s()
    assert clock.set_right()


def test_the_time_of_the_last_shutdown_is_not_before_the_record() -> None:
    """A system that saves the time hourly starts up to an hour behind what it has recorded."""
    machine = ManualClock(T0 - 3000)
    clock = SteadyClock(machine, T0)
    assert clock.wall_s() == T0
    machine.advance(100)
    assert clock.wall_s() == T0 + 95
    machine.step(4000)
    assert clock.wall_s() == machine.wall_s()
    machine.step(-SMALL_S - 1)  # no more than usual from now on
    assert clock.wall_s() == machine.wall_s()


def test_a_record_from_the_future_is_not_believed() -> None:
    """A clock that was years ahead once must not drag all later ones along."""
    machine = ManualClock(T0)
    assert SteadyClock(machine, T0 + BEHIND_RECORD_S + 1).wall_s() == T0
    assert SteadyClock(machine, T0 - 1e6).wall_s() == T0


class Ticking(ManualClock):
    """A clock that goes on between two looks at it, as real ones do."""

    def wall_s(self) -> float:
        """Return the time, a microsecond later each time."""
        self.advance(1e-6)
        return super().wall_s()


@pytest.mark.parametrize("behind_s", [75.0, 110.0, 1740.0, BEHIND_RECORD_S - 1])
def test_what_was_right_before_a_power_cut_is_not_from_the_future_after_it(behind_s: float) -> None:
    """The machine's clock starts behind the record, a sensor's own stamps do not: they are judged by the record's time."""
    machine = Ticking(T0 - behind_s)
    clock = SteadyClock(machine, T0)
    for _ in range(5):
        machine.advance(60)
        true_s = machine.wall_s() + behind_s
        assert true_s <= clock.others_by_s() + FUTURE_S
    assert clock.others_by_s() > machine.wall_s() + behind_s - 20
