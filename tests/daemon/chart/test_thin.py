"""What thinning must keep: the very shape."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.daemon.chart.thin import gaps, thin, usual_gap_s

values = st.lists(st.floats(-5, 5, allow_nan=False).map(lambda v: round(v, 3)), min_size=3, max_size=400)


@given(values, st.integers(1, 40))
def test_every_column_keeps_its_extremes(value: list[float], columns: int) -> None:
    """First, lowest, highest and last of each column of pixels stay, so the line covers the same pixels."""
    time_s, array = np.arange(float(len(value))), np.array(value)
    end_s = float(len(value))
    (kept,) = thin(time_s, array, (0.0, end_s), columns, gap_s=2.0)
    whole = np.floor(time_s / end_s * columns).astype(int)
    left = np.floor(kept.time_s / end_s * columns).astype(int)
    assert set(whole) == set(left)
    for column in set(whole):
        old, new = array[whole == column], kept.value[left == column]
        assert (old[0], old.min(), old.max(), old[-1]) == (new[0], new.min(), new.max(), new[-1])
        assert len(new) <= 4


@given(values, st.integers(1, 40), st.data())
def test_what_is_kept_was_there(value: list[float], columns: int, data: st.DataObject) -> None:
    """Nothing is invented, times do not fall, and a pause splits the line at that very place."""
    time_s, array = np.arange(float(len(value))), np.array(value)
    cut = data.draw(st.integers(1, len(value) - 1))
    time_s[cut:] += 1000.0
    stretches = thin(time_s, array, (0.0, float(time_s[-1]) + 1), columns, gap_s=500.0)
    assert len(stretches) == 2
    assert stretches[0].time_s[-1] == time_s[cut - 1]
    assert stretches[1].time_s[0] == time_s[cut]
    pairs = set(zip(time_s.tolist(), array.tolist(), strict=True))
    for stretch in stretches:
        assert set(zip(stretch.time_s.tolist(), stretch.value.tolist(), strict=True)) <= pairs
        assert (np.diff(stretch.time_s) >= 0).all()


@given(st.integers(0, 99_999), st.sampled_from([-1, 1]))
def test_a_spike_of_one_reading_survives(place: int, sign: int) -> None:
    """One reading among a hundred thousand is still there in three hundred columns."""
    value = np.zeros(100_000)
    value[place] = sign * 3.0
    (kept,) = thin(np.arange(100_000.0), value, (0.0, 99_999.0), 300, gap_s=10.0)
    assert sign * 3.0 in kept.value
    assert len(kept.value) <= 1204


def test_what_is_not_a_number_breaks_nothing_by_itself() -> None:
    """NaN is left out; the pause that it leaves decides."""
    value = np.array([1.0, np.nan, 1.0, np.nan, np.nan, np.nan, 1.0])
    assert len(thin(np.arange(7.0), value, (0.0, 7.0), 100, gap_s=3.0)) == 2
    assert thin(np.arange(3.0), np.full(3, np.nan), (0.0, 3.0), 10, gap_s=3.0) == ()
    assert thin(np.empty(0), np.empty(0), (0.0, 3.0), 10, gap_s=3.0) == ()


def test_the_line_runs_to_both_borders() -> None:
    """One reading beyond either side stays when a part is shown."""
    (kept,) = thin(np.arange(0.0, 1000.0, 10.0), np.arange(100.0), (201.0, 299.0), 50, gap_s=60.0)
    assert (kept.time_s[0], kept.time_s[-1]) == (200.0, 300.0)


def test_gaps_are_named_within_what_is_shown() -> None:
    """A pause is told with its ends, cut to the picture."""
    time_s = np.array([0.0, 10.0, 500.0, 510.0, 2000.0])
    assert gaps(time_s, (100.0, 1000.0), 60.0) == ((100.0, 500.0), (510.0, 1000.0))


@pytest.mark.parametrize(("every_s", "expected"), [(1.0, 900.0), (60.0, 900.0), (1800.0, 7200.0)])
def test_a_seldom_sensor_is_not_silent_between_readings(every_s: float, expected: float) -> None:
    """The pause that breaks a line follows the sensor's own pace."""
    assert usual_gap_s(np.arange(50, dtype=np.float64) * every_s, 900.0) == expected
