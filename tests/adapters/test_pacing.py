"""Played time goes on at its multiple of real time, and falls behind rather than hurry."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.adapters.pacing import LONGEST_BACKLOG_S, Pacer
from ullage.daemon.clock import ManualClock

START_S = 1_772_355_600.0


@given(
    speed=st.floats(0.5, 1e5),
    pauses_s=st.lists(st.floats(0.0, 0.9 * LONGEST_BACKLOG_S), min_size=1, max_size=30),
)
def test_who_keeps_up_is_where_the_speed_says(speed: float, pauses_s: list[float]) -> None:
    """Each time handed over in full, played time is real time by the speed, and the next moment is as far off as that."""
    clock = ManualClock()
    pacer = Pacer(clock, speed, START_S)
    reached_s = START_S
    for pause_s in pauses_s:
        clock.advance(pause_s)
        reached_s = pacer.due_s(reached_s)
    assert reached_s - START_S == pytest.approx(speed * sum(pauses_s), rel=1e-6, abs=1e-3)
    assert pacer.pause_s(reached_s + 60) == pytest.approx(60 / speed, rel=1e-3, abs=1e-6)
    assert pacer.pause_s(reached_s) == pytest.approx(0.0, abs=1e-6)


@given(speed=st.floats(0.5, 1e5), away_s=st.floats(2.0, 1e6))
def test_who_was_held_up_goes_on_from_where_he_is(speed: float, away_s: float) -> None:
    """After minutes in which nobody took the readings no more than a second's worth is due, and then the speed holds again."""
    clock = ManualClock()
    pacer = Pacer(clock, speed, START_S)
    clock.advance(away_s)
    due_s = pacer.due_s(START_S)
    assert due_s - START_S == pytest.approx(LONGEST_BACKLOG_S * speed)
    clock.advance(0.5)
    assert pacer.due_s(due_s) - due_s == pytest.approx(0.5 * speed, rel=1e-3)


def test_as_fast_as_it_goes() -> None:
    """Speed 0: everything is due, and nobody waits."""
    pacer = Pacer(ManualClock(), 0, START_S)
    assert math.isinf(pacer.due_s(START_S))
    assert pacer.pause_s(START_S + 1e9) == 0.0
