"""Falls that are too even for a valve that pops, by minutes written out here."""

from collections.abc import Sequence

from ullage.detectors.even_falls import EvenFalls
from ullage.detectors.frames import Frame
from ullage.detectors.teeth import FALLING_S, Drop

FALL_BAR = 0.03


def after(*frames: Sequence[float]) -> EvenFalls:
    """Return what has seen frames of these minutes, bar."""
    falls = EvenFalls()
    for number, minutes in enumerate(frames):
        end_s = 600.0 * (number + 1)
        falls.take(
            Frame(
                end_s=end_s,
                pressure_bar=minutes[-1],
                temperature_c=20.0,
                minute_end_s=tuple(end_s - 60.0 * at for at in reversed(range(len(minutes)))),
                minute_bar=tuple(minutes),
            )
        )
    return falls


def test_a_fall_of_twenty_minutes_is_even_and_a_drop_is_not() -> None:
    """30 mbar, over two frames or from one minute to the next."""
    slide = [1.2 - FALL_BAR * minute / 20 for minute in range(20)]
    assert after(slide[:10], slide[10:]).even(FALL_BAR)
    drop = [1.2] * 10 + [1.2 - FALL_BAR] * 10
    assert not after(drop[:10], drop[10:]).even(FALL_BAR)


def test_what_readings_can_not_follow_is_not_called_even() -> None:
    """Three minutes a frame: a drop may have gone by between two of them."""
    slide = [1.2 - FALL_BAR * minute / 20 for minute in range(0, 20, 3)]
    assert not after(slide[:3], slide[3:6]).even(FALL_BAR)


def test_a_fall_that_goes_on_is_counted_once() -> None:
    """And it is known again by the drop that ended with it."""
    falls = EvenFalls()
    for time_s in (0.0, 60.0, 120.0, 120.0 + FALLING_S + 1):
        falls.note(time_s)
    assert falls.count == 2
    assert Drop(120.0, 1.2, 1.17) in falls
    assert Drop(180.0, 1.2, 1.17) not in falls
