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
    """A reading every half hour is its own pace: no alarm at the start, and three hours of patience."""
    watch = watch_of(SEALED, (Silent,))
    slow = bars(*range(0, 6000, 30))
    found = [f for at in range(0, len(slow), size) for f in watch.update(slow.cut(at, at + size))]
    assert found == []
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


def on_change(hours: float, beat_min: float, seed: int = 1) -> Samples:
    """A sensor that speaks each minute while its value changes, and at rest once a beat: an hour of change, five of rest."""
    rng = np.random.default_rng(seed)
    minutes, at = [], 0.0
    while at < hours * 60:
        minutes.append(at)
        at += 1.0 if at % 360 < 60 else min(beat_min, 10 + rng.exponential(4 * beat_min))
    return bars(*minutes)


@pytest.mark.parametrize("size", [1, 7, 5000])
def test_a_sensor_that_speaks_when_its_value_changes_has_a_beat(size: int) -> None:
    """Told until two of its silences are of one length; then two and a half beats, and a real silence is told."""
    watch = watch_of(SEALED, (Silent,))
    samples = on_change(96, 60)
    found = [f for at in range(0, len(samples), size) for f in watch.update(samples.cut(at, at + size))]
    raised = [f for f in found if f.state is State.RAISED]
    assert 1 <= len(raised) <= 4
    assert (raised[-1].time_s - START_S) / HOUR_S < 12
    last_s = float(samples.time_s[-1])
    assert watch.tick(last_s + 2.4 * HOUR_S) == ()
    (dead,) = watch.tick(last_s + 2.6 * HOUR_S)
    assert dead.state is State.RAISED
    assert dead.value == pytest.approx(150, abs=1)


def test_a_sensor_that_is_switched_off_each_night_is_told_of_each_night() -> None:
    """Silences of one length are a beat only if they are short: eight hours are no sender's."""
    minutes = [day * 1440.0 + minute for day in range(4) for minute in range(960)]
    found = watch_of(SEALED, (Silent,)).update(bars(*minutes))
    assert [f.state for f in found] == [State.RAISED, State.CLEARED] * 3


def test_one_outage_at_the_start_is_no_pace() -> None:
    """Away for ten hours after its first word, then a word a minute: its silence is told after a quarter of an hour."""
    watch = watch_of(SEALED, (Silent,))
    watch.update(bars(0, 600, 601, 602))
    (raised,) = watch.tick(START_S + 618 * 60)
    assert raised.value == 15


def gravities(*hours: float) -> Samples:
    """Return readings of gravity at some hours."""
    return Samples.of(Kind.GRAVITY, START_S + HOUR_S * np.array(hours), np.full(len(hours), 1.02))


def test_a_float_that_falls_silent_is_told_after_a_day() -> None:
    """It spoke each quarter of an hour; a hydrometer's samples, a day or so apart, are never missed."""
    watch = watch_of(SEALED, (Silent,))
    watch.update(gravities(*np.arange(0, 30, 0.25)))
    assert watch.tick(START_S + 53 * HOUR_S) == ()
    (raised,) = watch.tick(START_S + 54 * HOUR_S)
    assert (raised.subject, raised.priority, raised.value) == ("gravity", Priority.MEDIUM, 24 * 60)
    assert "for 24 h" in raised.text
    by_hand = watch_of(SEALED, (Silent,))
    by_hand.update(gravities(0, 20, 44, 70, 71))
    assert by_hand.tick(START_S + 400 * HOUR_S) == ()


def test_one_word_has_an_hour() -> None:
    """After a single word nobody knows the pace; what falls silent then is told all the same."""
    watch = watch_of(SEALED, (Silent,))
    watch.update(bars(0))
    assert watch.tick(START_S + 59 * 60) == ()
    (raised,) = watch.tick(START_S + 61 * 60)
    assert (raised.value, raised.time_s) == (60, START_S + HOUR_S)
