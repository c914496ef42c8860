"""Line fits against other libraries on the same data, with clean, wild and weighted points."""

import numpy as np
import pytest
import statsmodels.api as sm  # type: ignore[import-untyped]
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from ullage.detectors.samples import FloatArray
from ullage.detectors.slopes import fit_line, huber_weights, robust_line, theil_sen_slope

SEEDS = st.integers(0, 2**32 - 1)
EPOCH_S = 1.8e9


def ramp(
    seed: int, rows: int = 50, *, noise: float = 0.002, spikes: int = 0
) -> tuple[FloatArray, FloatArray]:
    """Return times within an hour and a noisy rise, some values wild."""
    rng = np.random.default_rng(seed)
    time_s = np.sort(rng.uniform(0, 3600, rows)).round(3)
    value = 1.0 + rng.uniform(-2e-5, 2e-5) * time_s + noise * rng.standard_normal(rows)
    value[rng.choice(rows, spikes, replace=False)] += rng.choice(np.array([-1.0, 0.5, 3.0]), spikes)
    return time_s, value


@settings(max_examples=50, deadline=None)
@given(seed=SEEDS, rows=st.integers(3, 200))
def test_least_squares_as_scipy_has_it(seed: int, rows: int) -> None:
    """Slope, intercept and standard error agree with scipy.stats.linregress."""
    time_s, value = ramp(seed, rows)
    line, theirs = fit_line(time_s, value), stats.linregress(time_s, value)
    assert line.slope_per_s == pytest.approx(theirs.slope, rel=1e-9, abs=1e-14)
    assert line.intercept == pytest.approx(theirs.intercept, rel=1e-9)
    assert line.slope_se_per_s == pytest.approx(theirs.stderr, rel=1e-6, abs=1e-14)
    assert line.middle == pytest.approx(float(value.mean()), rel=1e-12)


@settings(max_examples=50, deadline=None)
@given(seed=SEEDS, rows=st.integers(4, 60))
def test_weights_count_as_repeats(seed: int, rows: int) -> None:
    """A point of weight three is three points, by statsmodels on the repeated data; the residual sd too."""
    time_s, value = ramp(seed, rows)
    weight = np.random.default_rng(seed).integers(1, 4, rows)
    line = fit_line(time_s, value, weight.astype(float))
    repeated = sm.OLS(np.repeat(value, weight), sm.add_constant(np.repeat(time_s, weight))).fit()
    assert line.slope_per_s == pytest.approx(repeated.params[1], rel=1e-8, abs=1e-14)
    assert line.slope_se_per_s == pytest.approx(repeated.bse[1], rel=1e-6, abs=1e-14)
    assert line.residual_sd**2 == pytest.approx(repeated.mse_resid, rel=1e-6, abs=1e-20)


@settings(max_examples=50, deadline=None)
@given(seed=SEEDS, rows=st.integers(3, 60), spikes=st.integers(0, 1))
def test_median_of_slopes_as_scipy_has_it(seed: int, rows: int, spikes: int) -> None:
    """The Theil-Sen slope agrees with scipy.stats.theilslopes as long as no thinning sets in."""
    time_s, value = ramp(seed, rows, spikes=spikes)
    assert theil_sen_slope(time_s, value) == pytest.approx(
        stats.theilslopes(value, time_s).slope, rel=1e-9, abs=1e-14
    )


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS, spikes=st.integers(0, 6))
def test_robust_line_as_statsmodels_has_it(seed: int, spikes: int) -> None:
    """Huber's M-estimate iterated to its end by statsmodels is less than half a standard error away."""
    time_s, value = ramp(seed, 60, spikes=spikes)
    theirs = sm.RLM(value, sm.add_constant(time_s), M=sm.robust.norms.HuberT(1.345)).fit()
    line = robust_line(time_s, value, 1e-4)
    assert abs(line.slope_per_s - theirs.params[1]) < 0.5 * theirs.bse[1]


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS)
def test_spikes_hardly_bend_the_robust_line(seed: int) -> None:
    """Six wild values in sixty move it by no more than some standard errors of the clean fit; they wreck OLS."""
    time_s, clean = ramp(seed, 60)
    _, spiked = ramp(seed, 60, spikes=6)
    reference = fit_line(time_s, clean)
    assert (
        abs(robust_line(time_s, spiked, 1e-4).slope_per_s - reference.slope_per_s)
        < 5 * reference.slope_se_per_s
    )


@settings(max_examples=30, deadline=None)
@given(seed=SEEDS)
def test_the_epoch_changes_nothing(seed: int) -> None:
    """Half a century of seconds added to each time leaves slope and standard error as they were."""
    time_s, value = ramp(seed, 60)
    near, far = fit_line(time_s, value), fit_line(time_s + EPOCH_S, value)
    assert far.slope_per_s == pytest.approx(near.slope_per_s, rel=1e-6, abs=1e-12)
    assert far.slope_se_per_s == pytest.approx(near.slope_se_per_s, rel=1e-6)
    robust = robust_line(time_s + EPOCH_S, value, 1e-4)
    assert robust.slope_per_s == pytest.approx(
        robust_line(time_s, value, 1e-4).slope_per_s, rel=1e-5, abs=1e-12
    )
    median = theil_sen_slope(time_s + EPOCH_S, value)
    assert median == pytest.approx(theil_sen_slope(time_s, value), rel=1e-5, abs=1e-12)


def test_sums_over_raw_epoch_seconds_would_be_wrong() -> None:
    """The textbook sums on times as they come lose the slope: why the times are re-based."""
    time_s = EPOCH_S + np.arange(0.0, 120.0, 10.0)
    value = 1.0 + 1e-6 * (time_s - EPOCH_S)
    n = len(time_s)
    above = n * (time_s * value).sum() - time_s.sum() * value.sum()
    raw = above / (n * (time_s**2).sum() - time_s.sum() ** 2)
    assert fit_line(time_s, value).slope_per_s == pytest.approx(1e-6, rel=1e-6)
    assert abs(raw / 1e-6 - 1) > 0.01


def test_thinning_keeps_the_slope() -> None:
    """A long series is thinned for the median of slopes and still gives its slope."""
    time_s, value = ramp(3, 5000)
    assert theil_sen_slope(time_s, value) == pytest.approx(fit_line(time_s, value).slope_per_s, abs=2e-6)


def test_times_that_are_all_equal_have_no_slope() -> None:
    """No pair with two times: nothing rises."""
    assert theil_sen_slope(np.full(5, 7.0), np.arange(5.0)) == 0.0


def test_weights_of_a_quiet_converter_use_the_floor() -> None:
    """A spread of zero does not make every other value infinitely wild."""
    weights = huber_weights(np.array([0.0, 0.0, 0.0, 0.0, 0.01]), 0.01)
    assert weights.tolist() == pytest.approx([1.0, 1.0, 1.0, 1.0, 1.0])
