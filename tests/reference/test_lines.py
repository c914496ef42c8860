"""Fits of straight lines against certified values and definitions."""

import numpy as np
import pytest

from tests.reference.checks import Check, checks, each, the
from ullage.detectors.slopes import Line, fit_line, robust_line, theil_sen_slope


def norris() -> tuple[np.ndarray, np.ndarray]:
    """Return the data set that stands with its certified slope."""
    inputs = the("ols_slope").inputs
    return np.array(inputs["x"]), np.array(inputs["y"])


@each("ols_slope", "ols_intercept", "ols_slope_standard_error", "ols_residual_mean_square")
def test_norris(check: Check) -> None:
    """NIST StRD linear regression, data set Norris: certified to fifteen digits, met to the row's tolerance."""
    line: Line = fit_line(*norris())
    value = {
        "ols_slope": line.slope_per_s,
        "ols_intercept": line.intercept,
        "ols_slope_standard_error": line.slope_se_per_s,
        "ols_residual_mean_square": line.residual_sd**2,
    }[check.quantity]
    check.compare(value)


def test_norris_on_the_axis_of_today() -> None:
    """The certified slope is still there to nine digits with 1.8e9 s added to every time."""
    x, y = norris()
    line = fit_line(x + 1.8e9, y)
    assert line.slope_per_s == pytest.approx(the("ols_slope").expected, rel=2e-9)
    assert line.slope_se_per_s == pytest.approx(the("ols_slope_standard_error").expected, rel=2e-7)


@each("theil_sen_slope")
def test_median_of_slopes_on_norris(check: Check) -> None:
    """By definition, pairs of equal times skipped (common practice)."""
    check.compare(theil_sen_slope(*norris()))


@each("theil_sen_slope_with_outlier")
def test_median_of_slopes_with_an_outlier(check: Check) -> None:
    """One wild value in seven changes nothing (common practice)."""
    check.compare(theil_sen_slope(np.array(check.inputs["x"], float), np.array(check.inputs["y"], float)))


@each("theil_sen_slope_pressure_spike")
def test_slopes_of_a_pressure_with_a_spike(check: Check) -> None:
    """Median of slopes by definition; the robust line is as little impressed (common practice)."""
    hours, bar = np.array(check.inputs["t_h"], float), np.array(check.inputs["p_bar"])
    check.compare(theil_sen_slope(hours, bar))
    assert robust_line(hours, bar, 0.001).slope_per_s == pytest.approx(check.expected, abs=0.001)
    assert fit_line(hours, bar).slope_per_s == pytest.approx(
        0.0327879, abs=1e-6
    )  # what the spike does to OLS


@each("mean_large_offset")
def test_mean_beside_a_large_offset(check: Check) -> None:
    """NIST StRD univariate NumAcc1 (from memory): the middle of the line is exact."""
    values = np.array(check.inputs["y"], float)
    assert fit_line(np.arange(3.0), values).middle == check.expected
    assert len(checks("mean_large_offset")) == 1


def test_too_few_points_are_refused() -> None:
    """Two points have no uncertainty, and points of one time no slope."""
    with pytest.raises(ValueError, match="3 points, not 2"):
        fit_line(np.array([0.0, 1.0]), np.array([1.0, 2.0]))
    with pytest.raises(ValueError, match="same time"):
        fit_line(np.full(4, 1.8e9), np.arange(4.0))
