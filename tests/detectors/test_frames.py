"""Ten-minute frames: what goes in, when they close, and that single spikes stay out."""

import math

import numpy as np
import pytest

from tests.detectors.streams import START_S
from ullage.detectors.frames import Frame, FrameMaker
from ullage.detectors.minutes import Minutes

NAN = math.nan


def minutes(ends_s: list[float], bars: list[float], celsius: list[float] | None = None) -> Minutes:
    """Return closed minutes."""
    return Minutes(
        end_s=np.array(ends_s),
        pressure_bar=np.array(bars),
        temperature_c=np.array(celsius or [NAN] * len(bars)),
        count=np.array([0 if math.isnan(bar) else 1 for bar in bars]),
    )


def ends(count: int, first: int = 1) -> list[float]:
    """Return the ends of consecutive minutes."""
    return [START_S + 60.0 * (first + i) for i in range(count)]


def test_a_frame_is_the_median_of_its_minutes() -> None:
    """Ten minutes, their pressures by three-point medians, become one row; it closes with the next minute."""
    maker = FrameMaker()
    bars = [1.0, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7, 1.8, 1.9]
    assert maker.update(minutes(ends(10), bars, [18.0] * 10)) == []
    (frame,) = maker.update(minutes(ends(1, 11), [2.0], [18.0]))
    assert frame.end_s == START_S + 600
    assert frame.minute_bar == tuple(bars[1:9])
    assert frame.minute_end_s == tuple(ends(10)[1:9])
    assert frame.pressure_bar == pytest.approx(1.45)
    assert frame.temperature_c == 18.0


def test_no_minute_is_lost_between_frames() -> None:
    """Each minute but the first and last stands in exactly one frame."""
    maker = FrameMaker()
    frames = maker.update(minutes(ends(101), list(np.arange(101.0)), [18.0] * 101))
    assert [frame.end_s for frame in frames] == [START_S + 600 * (i + 1) for i in range(10)]
    assert [bar for frame in frames for bar in frame.minute_bar] == list(np.arange(1.0, 99.0))


@pytest.mark.parametrize("at", range(1, 19))
def test_a_single_spike_is_gone(at: int) -> None:
    """One wild minute, anywhere, shows in no frame and no minute of a frame."""
    maker = FrameMaker()
    bars, celsius = [1.0] * 21, [18.0] * 21
    bars[at], celsius[at] = 9.0, 60.0
    frames = maker.update(minutes(ends(21), bars, celsius))
    assert {frame.pressure_bar for frame in frames} == {1.0}
    assert {bar for frame in frames for bar in frame.minute_bar} == {1.0}
    assert {frame.temperature_c for frame in frames} == {18.0}


def test_missing_quantities_are_no_numbers() -> None:
    """A frame without a pressure says so, and one with neither is empty."""
    maker = FrameMaker()
    (only_temperature,) = maker.update(minutes(ends(11), [NAN] * 11, [18.0] * 11))
    assert math.isnan(only_temperature.pressure_bar)
    assert only_temperature.minute_bar == ()
    assert not only_temperature.empty
    empty = Frame(end_s=0.0, pressure_bar=NAN, temperature_c=NAN, minute_end_s=(), minute_bar=())
    assert empty.empty


def test_a_gap_makes_no_frames_but_a_tick_does() -> None:
    """After a gap the open frame closes under its own time; time that passes closes it at once, empty ones too."""
    maker = FrameMaker()
    maker.update(minutes(ends(5), [1.0] * 5))
    (frame,) = maker.update(minutes(ends(1, 500), [1.0]))
    assert frame.end_s == START_S + 600
    ticked = FrameMaker()
    ticked.update(minutes(ends(5), [1.0] * 5))
    assert ticked.tick(START_S + 599) == []
    (early,) = ticked.tick(START_S + 600)
    assert repr(early) == repr(frame)  # NaN, where no temperature was seen, equals nothing
    assert [f.empty for f in ticked.tick(START_S + 1200)] == [True]
