"""Production of a shut stretch: against other libraries on the same data, and its interval against the truth."""

import numpy as np
import pytest
import statsmodels.api as sm  # type: ignore[import-untyped]
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from ullage.detectors.production import Production, measure, measure_beside_release
from ullage.detectors.samples import FloatArray

CAPACITY = 2.0
"""g/L per bar: 20 L of beer below 3 L of gas near 18 °C."""
NO_SWING = np.zeros((0, 3))
EPOCH_S = 1.8e9


def frames(hours: float) -> FloatArray:
    """Return the times of ten-minute frames."""
    return np.arange(0.0, hours * 3600, 600.0)


def correlated(rng: np.random.Generator, rows: int, sd: float, rho: float) -> FloatArray:
    """Return an AR(1) series with this sd and correlation of neighbours."""
    white = rng.standard_normal(rows + 200)
    series = lfilter([np.sqrt(1 - rho**2)], [1.0, -rho], white)
    return np.asarray(sd * series[200:], float)


def taken(
    time_s: FloatArray, bar: FloatArray, noise_bar: float, swing: FloatArray | None = None
) -> Production:
    """Return the production, at a steady temperature unless a swing is given."""
    lagged = np.zeros((len(time_s), 3)) if swing is None else swing
    production = measure(time_s, bar, lagged, CAPACITY, noise_bar)
    assert production is not None
    return production


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), hours=st.floats(3, 48), rate=st.floats(-2, 20))
def test_least_squares_on_clean_noise(seed: int, hours: float, rate: float) -> None:
    """White noise: the rate is within a standard error of statsmodels' OLS, and no surer of itself than that is."""
    time_s = frames(hours)
    rng = np.random.default_rng(seed)
    bar = 2.0 + rate / CAPACITY * time_s / 86400 + 0.002 * rng.standard_normal(len(time_s))
    ours = taken(time_s, bar, 0.002)
    theirs = sm.OLS(bar, sm.add_constant(time_s / 86400)).fit()
    assert abs(ours.rate_g_per_l_day - CAPACITY * theirs.params[1]) < CAPACITY * theirs.bse[1]
    assert ours.se_g_per_l_day > 0.7 * CAPACITY * theirs.bse[1]


@pytest.mark.parametrize("rho", [0.0, 0.4, 0.7])
def test_correlated_noise_widens_as_generalised_least_squares_does(rho: float) -> None:
    """AR(1) residuals: on average within a factor of statsmodels' GLSAR; OLS would claim far too much."""
    rng = np.random.default_rng(7)
    time_s = frames(24)
    ratios, naive = [], []
    for _ in range(40):
        bar = 2.0 + correlated(rng, len(time_s), 0.006, rho)
        design = sm.add_constant(time_s / 86400)
        theirs = sm.GLSAR(bar, design, rho=1)
        fitted = theirs.iterative_fit(6)
        ratios.append(taken(time_s, bar, 0.002).se_g_per_l_day / CAPACITY / fitted.bse[1])
        naive.append(sm.OLS(bar, design).fit().bse[1] / fitted.bse[1])
    assert 0.85 < np.median(ratios) < 1.6
    if rho >= 0.4:
        assert np.median(naive) < 0.75 < np.median(ratios)


@pytest.mark.parametrize(
    ("hours", "rho", "sd", "percent"),
    [
        (6.0, 0.0, 0.002, 99.7), (24.0, 0.0, 0.002, 99.7), (24.0, 0.5, 0.003, 99.7), (24.0, 0.7, 0.003, 99.7),
        (6.0, 0.5, 0.003, 99.0), (6.0, 0.7, 0.003, 98.0),
    ],
)  # fmt: skip
def test_the_interval_covers_the_truth(hours: float, rho: float, sd: float, percent: float) -> None:
    """Of 400 stretches the interval holds the true rate in 99.7 %; in short ones whose noise hangs together, in 98 %.

    Six hours are too short for the likeness of neighbours to show in full.
    """
    rng = np.random.default_rng(int(10 * rho + hours))
    time_s = frames(hours)
    inside = 0
    for _ in range(400):
        rate = rng.uniform(0, 10)
        bar = 2.0 + rate / CAPACITY * time_s / 86400 + correlated(rng, len(time_s), sd, rho)
        production = taken(time_s, bar, sd)
        inside += production.low <= rate <= production.high
    assert 100 * inside / 400 >= percent


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), share=st.floats(0.0, 1.0), lag_h=st.sampled_from([0.7, 3.0, 9.0]))
def test_a_swing_of_temperature_is_no_production(seed: int, share: float, lag_h: float) -> None:
    """Any share of the solubility effect of a daily swing, at any of the lags: the interval holds no less than zero."""
    rng = np.random.default_rng(seed)
    time_s = frames(36)
    hours = time_s / 3600
    celsius = np.sin(2 * np.pi * (hours / 24 + rng.random()))
    lagged = [celsius.copy() for _ in range(3)]
    for column, tau in zip(lagged, (0.7, 3.0, 9.0), strict=True):
        for i in range(1, len(column)):
            column[i] = column[i - 1] + (celsius[i] - column[i - 1]) * (1 - np.exp(-1 / 6 / tau))
    columns = 0.06 * np.column_stack(lagged)
    felt = columns[:, (0.7, 3.0, 9.0).index(lag_h)]
    bar = 2.0 + share * felt + 0.002 * rng.standard_normal(len(time_s))
    production = taken(time_s, bar, 0.002, columns)
    assert production.low <= 0.0 <= production.high
    assert production.high < 1.0  # and it still says something


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), spikes=st.integers(0, 5), step_bar=st.sampled_from([0.0, 0.0085]))
def test_spikes_steps_and_gaps(seed: int, spikes: int, step_bar: float) -> None:
    """Wild frames, a coarse converter and a gap of hours leave the truth inside the interval."""
    rng = np.random.default_rng(seed)
    time_s = frames(24)
    time_s = time_s[(time_s < 30000) | (time_s > 45000)]
    bar = 2.0 + 3.0 / CAPACITY * time_s / 86400 + 0.002 * rng.standard_normal(len(time_s))
    bar[rng.choice(len(bar), spikes, replace=False)] += rng.choice(np.array([-0.3, 0.5]), spikes)
    bar = np.round(bar / step_bar) * step_bar if step_bar else bar
    production = taken(time_s, bar, max(0.002, 0.3 * step_bar))
    assert production.low <= 3.0 <= production.high
    assert production.se_g_per_l_day < 0.35


def test_the_epoch_changes_nothing() -> None:
    """Times of today give the rate that times from zero give."""
    rng = np.random.default_rng(3)
    time_s = frames(12)
    bar = 2.0 + 0.5 * time_s / 86400 + 0.002 * rng.standard_normal(len(time_s))
    near, far = taken(time_s, bar, 0.002), taken(time_s + EPOCH_S, bar, 0.002)
    assert far.rate_g_per_l_day == pytest.approx(near.rate_g_per_l_day, rel=1e-6)
    assert far.se_g_per_l_day == pytest.approx(near.se_g_per_l_day, rel=1e-6)
    assert (far.start_s, far.end_s, far.hours) == (EPOCH_S, EPOCH_S + time_s[-1], near.hours)


def beside_release(time_s: FloatArray, bar: FloatArray, noise_bar: float) -> Production:
    """Return the production beside what the beer gives off, at a steady temperature."""
    production = measure_beside_release(time_s, bar, np.zeros((len(time_s), 3)), CAPACITY, noise_bar)
    assert production is not None
    return production


@pytest.mark.parametrize("theta_h", [1.3, 2.7, 4.0, 6.0])
@pytest.mark.parametrize("rate", [0.0, 0.3, 1.0])
def test_what_the_beer_gives_off_is_no_production(theta_h: float, rate: float) -> None:
    """0.3 bar that come as 1 − exp(−t/θ) beside a steady rate: the rate is in the interval, where a line alone is far above."""
    time_s = frames(18)
    inside, lines = 0, []
    for seed in range(40):
        noise = 0.002 * np.random.default_rng(seed).standard_normal(len(time_s))
        bar = 2.0 + rate / CAPACITY * time_s / 86400 - 0.3 * np.expm1(-time_s / 3600 / theta_h) + noise
        found = beside_release(time_s, bar, 0.002)
        inside += abs(found.rate_g_per_l_day - rate) <= 3 * found.se_g_per_l_day
        lines.append(taken(time_s, bar, 0.002).low)
    assert inside >= 39
    assert theta_h < 2 or min(lines) > rate


@pytest.mark.parametrize("rate", [0.3, 1.0, 3.0])
def test_production_that_fades_is_not_taken_for_what_the_beer_gives_off(rate: float) -> None:
    """Production alone, first order with 20 h, seen for 18 h: the upper end is never below what is made at the end."""
    time_s = frames(18)
    for seed in range(40):
        noise = 0.002 * np.random.default_rng(seed).standard_normal(len(time_s))
        bar = 2.0 - rate / CAPACITY * 20 / 24 * np.expm1(-time_s / 3600 / 20) + noise
        assert beside_release(time_s, bar, 0.002).high > 0.95 * rate * np.exp(-18 / 20)


def test_a_short_stretch_does_not_tell_them_apart() -> None:
    """In an hour no release that is looked for has run its course."""
    time_s = frames(1.0)
    assert (
        measure_beside_release(time_s, 2.0 + 0 * time_s, np.zeros((len(time_s), 3)), CAPACITY, 0.002) is None
    )


def test_too_little_tells_nothing() -> None:
    """Three frames, or frames of a few minutes, are no stretch."""
    three = np.zeros((3, 3))
    assert measure(frames(0.5), np.ones(3), three, CAPACITY, 0.002) is None
    assert measure(np.arange(0.0, 600, 60), np.ones(10), np.zeros((10, 3)), CAPACITY, 0.002) is None
