"""Silence: found to the minute, however late it is noticed, and never mistaken for a slow sensor."""

from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import HOUR_S, SEALED, START_S, every, merged, pressure, temperature, watch_of
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.samples import Kind, Samples
from ullage.detectors.silent import Silent

EXPECTED = replace(SEALED, sensors=frozenset({Kind.PRESSURE, Kind.TEMPERATURE}))


def brief(found: tuple[Finding, ...]) -> list[tuple[float, str, State]]:
    """Return minutes from the start, subject and state."""
    return [((f.time_s - START_S) / 60, f.subject, f.state) for f in found]


def bars(*minutes: float) -> Samples:
    """Return pressure readings at some minutes."""
    return pressure(START_S + 60 * np.array(minutes), np.full(len(minutes), 1.0))


def test_fifteen_minutes_of_nothing() -> None:
    """Raised when the limit passed, however late the tick; cleared by the next word."""
    watch = watch_of(SEALED, (Silent,))
    watch.update(bars(0, 1, 2, 3))
    assert watch.tick(START_S + 18 * 60) == ()
    (raised,) = watch.tick(START_S + 5 * HOUR_S)
    assert brief((raised,)) == [(18.0, "pressure", State.RAISED)]
    assert (raised.condition, raised.priority, raised.value) == (Condition.SENSOR_SILENT, Priority.HIGH, 15.0)
    assert watch.tick(START_S + 6 * HOUR_S) == ()
    assert brief(watch.update(bars(400))) == [(400.0, "pressure", State.CLEARED)]


def test_the_other_sensor_tells_the_time() -> None:
    """In a log without ticks the other quantity shows that time has passed, and each has its own alarm."""
    spoken = merged(bars(*range(5), *range(60, 65)), temperature(every(60, 1.5), np.full(90, 18.0)))
    assert brief(watch_of(SEALED, (Silent,)).update(spoken)) == [
        (19.0, "pressure", State.RAISED),
        (60.0, "pressure", State.CLEARED),
        (79.0, "pressure", State.RAISED),
    ]


def test_a_gap_that_nobody_saw_is_told_all_the_same() -> None:
    """One sensor alone: the gap shows in its own times."""
    found = watch_of(SEALED, (Silent,)).update(bars(*range(30), *range(100, 130)))
    assert brief(found) == [(44.0, "pressure", State.RAISED), (100.0, "pressure", State.CLEARED)]


def test_a_sensor_that_is_expected_and_never_speaks() -> None:
    """It is missed from the first moment on, and told apart from one that stopped."""
    watch = watch_of(EXPECTED, (Silent,))
    watch.tick(START_S)
    watch.update(bars(*range(15)))
    (raised,) = watch.tick(START_S + 16 * 60)
    assert brief((raised,)) == [(15.0, "temperature", State.RAISED)]
    assert "nothing yet" in raised.text
    found = watch.update(merged(bars(16), temperature([START_S + 17 * 60], [18.0])))
    assert brief(found) == [(17.0, "temperature", State.CLEARED)]


def test_a_quantity_that_nobody_has_is_not_missed() -> None:
    """A log without temperature makes no alarm about temperature, and gravity by hand is never missed."""
    watch = watch_of(SEALED, (Silent,))
    hand = Samples.of(Kind.GRAVITY, np.array([START_S]), np.array([1.048]))
    assert watch.update(merged(hand, bars(*range(600)))) == ()


@pytest.mark.parametrize("size", [1, 3, 1000])
def test_a_slow_sensor_is_learned(size: int) -> None:
    """A reading every half hour alarms three times, then its own pace counts: three hours of patience."""
    watch = watch_of(SEALED, (Silent,))
    slow = bars(*range(0, 6000, 30))
    found = [f for at in range(0, len(slow), size) for f in watch.update(slow.cut(at, at + size))]
    assert [minute for minute, _, state in brief(tuple(found)) if state is State.RAISED] == [15, 45, 75]
    assert [f.state for f in found] == [State.RAISED, State.CLEARED] * 3
    last_s = float(slow.time_s[-1])
    assert watch.tick(last_s + 180 * 60) == ()
    (raised,) = watch.tick(last_s + 181 * 60)
    assert (raised.time_s, raised.value) == (last_s + 180 * 60, 180.0)


def test_late_words_are_words() -> None:
    """A backlog that arrives hours late keeps the sensor from being called silent, and does not flap."""
    watch = watch_of(SEALED, (Silent,))
    warm = temperature(every(60, 6), np.full(360, 18.0))
    watch.update(merged(bars(*range(60)), temperature(every(60, 1), np.full(60, 18.0))))
    watch.update(warm.cut(60, 360))
    found = watch.update(bars(*range(60, 360)))
    assert [f.state for f in found] == [State.CLEARED]
