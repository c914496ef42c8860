"""What gravity says of the end: that it is one, or that much is left and the yeast has stopped."""

import numpy as np

from tests.detectors.streams import (
    HOUR_S,
    START_S,
    VALVED,
    Batch,
    feed,
    hours_in,
    merged,
    of,
    stream,
    watch_of,
)
from ullage.detectors.finding import Condition, Finding, State
from ullage.detectors.samples import Kind, Samples

DONE_H = 160.0


def said(*samples: tuple[float, float], tail_h: float = 12.0) -> list[Finding]:
    """Return what is said of the end behind a smooth valve that nobody shuts; samples by the hour.

    The original gravity is 1.048; after 160 h nothing is made any more.
    """
    batch = Batch(vessel=VALVED, hours=280, opening_bar=1.2, blow_down_bar=0.0, tail_h=tail_h)
    entries = [(START_S + hour * HOUR_S, f"gravity {value:.4f}") for hour, value in samples]
    found = feed(watch_of(VALVED), stream(batch.samples(), *entries))
    return of(found, Condition.FINISHED, Condition.STALLED)


def test_samples_that_stand_low_are_the_end() -> None:
    """77 % attenuated and unchanged for 48 h: the trade's own sign (common practice)."""
    (found,) = said((DONE_H, 1.0112), (DONE_H + 25, 1.0110), (DONE_H + 49, 1.0110))
    assert found.condition is Condition.FINISHED


def test_samples_that_stand_high_are_a_stall() -> None:
    """Half attenuated and unchanged for 48 h: worts end at 70 to 85 % (common practice)."""
    (found,) = said((DONE_H, 1.0242), (DONE_H + 25, 1.0240), (DONE_H + 49, 1.0240))
    assert (found.condition, found.state) == (Condition.STALLED, State.RAISED)
    assert "49 % attenuated" in found.text
    assert found.value == 1.024


def test_a_stall_that_was_a_wrong_sample_is_taken_back() -> None:
    """Measured again, and low: it is the end, and the alarm goes."""
    high = [(DONE_H, 1.0242), (DONE_H + 25, 1.0240), (DONE_H + 49, 1.0240)]
    low = [(DONE_H + 50, 1.0111), (DONE_H + 75, 1.0110), (DONE_H + 99, 1.0110)]
    states = [(found.condition, found.state) for found in said(*high, *low)]
    assert states == [
        (Condition.STALLED, State.RAISED),
        (Condition.STALLED, State.CLEARED),
        (Condition.FINISHED, State.NOTED),
    ]


def test_a_stall_by_a_sample_stands_until_a_newer_one() -> None:
    """Half attenuated; then the valve is wound shut and nothing is made, which says no more than that the yeast is still."""
    shut = (START_S + (DONE_H + 60) * HOUR_S, "valve shut")
    high = [(DONE_H, 1.0242), (DONE_H + 25, 1.0240), (DONE_H + 49, 1.0240)]
    batch = Batch(vessel=VALVED, hours=400, opening_bar=1.2, shut=((DONE_H + 60, 400),), tail_h=12.0)

    def conditions(*samples: tuple[float, float]) -> list[Condition]:
        entries = [(START_S + hour * HOUR_S, f"gravity {value:.4f}") for hour, value in samples]
        given = stream(batch.samples(), *sorted([*entries, shut]))
        return [one.condition for one in of(feed(watch_of(VALVED), given), Condition.FINISHED)]

    assert conditions(*high) == []
    assert conditions(*high, (DONE_H + 140, 1.0110)) == [Condition.FINISHED]


def test_samples_in_the_log_count_as_those_in_the_journal() -> None:
    """A gravity that is read once a day, and logged as a reading."""
    batch = Batch(vessel=VALVED, hours=280, opening_bar=1.2, blow_down_bar=0.0, tail_h=12.0)
    time_s = START_S + (DONE_H + np.array([0.0, 25.0, 49.0])) * HOUR_S
    read = Samples.of(Kind.GRAVITY, time_s, np.array([1.0112, 1.0110, 1.0110]))
    found = of(feed(watch_of(VALVED), stream(merged(batch.samples(), read))), Condition.FINISHED)
    assert [DONE_H + 49 <= hours_in(one) < DONE_H + 57 for one in found] == [True]
