"""Clocks that can be moved by hand."""

import pytest

from ullage.daemon.clock import Clock, ManualClock, SystemClock


def test_time_passes_on_both_clocks_alike() -> None:
    """Advancing moves wall and monotonic time by the same amount."""
    clock = ManualClock(wall_s=100.0, monotonic_s=5.0)
    clock.advance(60.0)
    assert (clock.wall_s(), clock.monotonic_s()) == (160.0, 65.0)


def test_a_step_moves_the_wall_clock_alone() -> None:
    """A step back is seen on the wall clock and leaves monotonic time where it was."""
    clock = ManualClock(wall_s=100.0, monotonic_s=5.0)
    clock.step(-3600.0)
    assert (clock.wall_s(), clock.monotonic_s()) == (-3500.0, 5.0)


def test_time_does_not_pass_backwards() -> None:
    """Advancing by a negative amount is refused, advancing to a moment gone by changes nothing."""
    clock = ManualClock(wall_s=100.0)
    with pytest.raises(ValueError, match="step"):
        clock.advance(-1.0)
    clock.advance_to(50.0)
    assert clock.wall_s() == 100.0


def test_the_system_clock_is_a_clock() -> None:
    """Monotonic time of the machine does not run backwards."""
    clock: Clock = SystemClock()
    first = clock.monotonic_s()
    assert clock.monotonic_s() >= first
    assert clock.wall_s() > 1_700_000_000
