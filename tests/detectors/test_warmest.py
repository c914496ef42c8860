"""The highest temperature of three days, against a plain maximum."""

import math

from hypothesis import given
from hypothesis import strategies as st

from ullage.detectors.warmest import HALF_HOURS, Warmest

HALF_HOUR_S = 1800.0
FRAME_S = 600.0


@given(st.lists(st.floats(-2, 30), min_size=1, max_size=1200))
def test_it_is_the_highest_of_the_half_hours_kept(celsius: list[float]) -> None:
    """A frame every ten minutes: the half hours that count are the last three days'."""
    warmest = Warmest()
    for frame, value in enumerate(celsius):
        warmest.take(frame * FRAME_S, value)
    oldest_s = ((len(celsius) - 1) * FRAME_S // HALF_HOUR_S - HALF_HOURS + 1) * HALF_HOUR_S
    kept = [value for frame, value in enumerate(celsius) if frame * FRAME_S >= oldest_s]
    assert warmest.celsius == max(kept)


def test_before_the_first_frame_nothing_is_known() -> None:
    """Not a number."""
    assert math.isnan(Warmest().celsius)
