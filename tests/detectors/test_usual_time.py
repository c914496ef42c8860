"""The usual time to nine tenths of the gas, against the integration of a published growth model."""

import pytest

from ullage.detectors.usual_time import Progress

HOUR_S = 3600.0


@pytest.mark.parametrize(("celsius", "hours"), [(8.0, 561), (12.0, 299), (16.0, 165), (20.0, 94)])
def test_nine_tenths_take_as_long_as_the_growth_model_says(celsius: float, hours: int) -> None:
    """Engasser's model with the constants of Gee & Ramirez (1988), integrated; 20 °C lies beyond their data."""
    time = Progress()
    for hour in range(hours + 1):
        time.take(hour * HOUR_S, celsius)
    assert time.share == pytest.approx(1.0, abs=0.005)


def test_a_gap_counts_for_no_more_than_a_day() -> None:
    """What happened in it is not known."""
    time = Progress()
    assert time.untouched
    time.take(0.0, 20.0)
    time.take(200 * HOUR_S, 20.0)
    assert not time.untouched
    assert time.share == pytest.approx(24 / 94, rel=0.01)
