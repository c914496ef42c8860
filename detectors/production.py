"""How fast CO2 is made while nothing can leave: a line through the gas balance of a shut stretch.

In a shut vessel every gram that yeast makes raises beer and head space together, so the slope of pressure times the
vessel's capacity (g/L per bar) is production. Two effects of temperature are taken out:

- the gas law, at once: pressure is scaled to the stretch's mean temperature;
- solubility, late: a quiet surface lets gas out over hours. How much of the full effect shows, and how late, is not
  known beforehand, so temperature enters the fit at several lags, each with a prior for its share of the full effect.
  A stretch with a steady drift of temperature thereby gets a wide interval, as it must.

The slope is an upper estimate in the first hours after the valve shuts, never a lower one: until beer and gas are in
balance again, the gas leaves the beer as fast as before but has only the head space to go to.
"""

import math
from dataclasses import dataclass

import numpy as np

from ullage.detectors.samples import FloatArray
from ullage.detectors.slopes import MAD_TO_SD, huber_weights, upper_median

LEAST_NOISE_BAR = 0.0008
"""No transmitter is better than this over hours; keeps a lucky run of equal values from looking perfect."""
DRIFT_BAR_PER_DAY = 0.0012
"""Drift of zero that a sound sensor may have; 0.7 mbar/day is 5 mbar a week."""
WANDER_BAR = 0.0012
"""What pressure may wander over a window's ends for reasons that the fit doesn't know (draughts on the head space,
stirring by the fridge's cycle), sd; it matters in short windows only."""
SHARE_PRIOR = 0.17
SHARE_PRIOR_SD = 0.25
"""Share of the full solubility effect at each of three lags: together 0.5 ± 0.43, from none of it to all of it."""
RELEASE_H = tuple(1.15**power for power in range(18))  # 1 to 11 h
"""Times with which the pressure may follow what the beer gives off, h: assumed; a head space that holds a fifth of the gas
fills five times as fast as the beer gives off its own."""
MOST_OF_STRETCH = 1 / 2
"""Longest of these times that is looked for, as a part of the stretch."""
DOUBTED = 1.6
"""Divides the rows by which a time is told to fit better than another: the true one lies between two of them, and the
release is no pure exponential (tuned)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Production:
    """Rate of CO2 production over a shut stretch."""

    rate_g_per_l_day: float
    se_g_per_l_day: float
    """Standard error, correlation of neighbouring residuals and sensor drift included."""
    hours: float
    start_s: float
    end_s: float
    residual_sd_bar: float

    @property
    def low(self) -> float:
        """Lower end of the 99.7 % interval, g/L/day."""
        return self.rate_g_per_l_day - 3 * self.se_g_per_l_day

    @property
    def high(self) -> float:
        """Upper end of the 99.7 % interval, g/L/day."""
        return self.rate_g_per_l_day + 3 * self.se_g_per_l_day


def measure(
    time_s: FloatArray,
    gas_bar: FloatArray,
    solubility_bar: FloatArray,
    capacity_g_per_l_bar: float,
    noise_bar: float,
) -> Production | None:
    """Return the production over n ≥ 4 frames of a shut stretch, or None if they can't tell.

    Parameters
    ----------
    time_s
        Frame times, s.
    gas_bar
        Absolute pressure scaled to one temperature by the gas law, bar.
    solubility_bar
        What full solubility equilibrium with the lagged temperatures would add to the pressure, bar, any offset;
        shape (n, lags).
    capacity_g_per_l_bar
        g of CO2 per litre of beer and bar.
    noise_bar
        Sd of a frame's pressure as learned from the sensor, bar.
    """
    fit = _fit(time_s, gas_bar, solubility_bar, noise_bar, None)
    if fit is None:
        return None
    return _production(time_s, capacity_g_per_l_bar, fit.slope_bar_per_day, fit.se_bar_per_day, fit.sd_bar)


def measure_beside_release(
    time_s: FloatArray,
    gas_bar: FloatArray,
    solubility_bar: FloatArray,
    capacity_g_per_l_bar: float,
    noise_bar: float,
) -> Production | None:
    """Return the production beside gas that the beer gives off after the valve was shut; None if they can't be told apart.

    Arguments as for `measure`; the stretch begins with the shutting. Beer that holds more than saturation gives it off
    as 1 − exp(−t/θ), while production goes on as a line. θ is not known: each value is weighed by how well it fits, none
    of it (all production) as well, and what they differ by is in the error. θ is at most half the stretch, else
    the slow fall of production itself would pass for a release.
    """
    hours = (float(time_s[-1]) - float(time_s[0])) / 3600 if len(time_s) else 0.0
    fits = [_fit(time_s, gas_bar, solubility_bar, noise_bar, None)]
    fits += [
        _fit(time_s, gas_bar, solubility_bar, noise_bar, theta_h)
        for theta_h in RELEASE_H
        if theta_h <= hours * MOST_OF_STRETCH
    ]
    found = [fit for fit in fits if fit is not None and fit.released_bar >= 0]
    if len(found) < 2:
        return None
    least = min(fit.spread_bar for fit in found)
    count = len(time_s)
    weight = np.array([(least / fit.spread_bar) ** (count / fit.inflation / DOUBTED) for fit in found])
    weight /= weight.sum()
    slope = np.array([fit.slope_bar_per_day for fit in found])
    se = np.array([fit.se_bar_per_day for fit in found])
    mean = float(weight @ slope)
    error = math.sqrt(float(weight @ (se**2 + (slope - mean) ** 2)))
    return _production(time_s, capacity_g_per_l_bar, mean, error, max(fit.sd_bar for fit in found))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    """A fitted line beside nuisances: slope and error in bar/day, what was released in bar."""

    slope_bar_per_day: float
    se_bar_per_day: float
    released_bar: float
    sd_bar: float
    spread_bar: float
    """Sd of the residuals as they are, no floor."""
    inflation: float


def _fit(
    time_s: FloatArray,
    gas_bar: FloatArray,
    solubility_bar: FloatArray,
    noise_bar: float,
    theta_h: float | None,
) -> _Fit | None:
    n = len(time_s)
    hours = (float(time_s[-1]) - float(time_s[0])) / 3600 if n else 0.0
    if n < 4 or hours <= 0.3:
        return None
    shares = slice(2, 2 + solubility_bar.shape[1])
    x = np.ones((n, shares.stop + (theta_h is not None)))
    x[:, 1] = (time_s - time_s.sum() / n) / 86400
    x[:, shares] = solubility_bar - solubility_bar.sum(axis=0) / n
    if theta_h is not None:
        x[:, -1] = 1 - np.exp((time_s[0] - time_s) / (3600 * theta_h))
    prior = _share_prior(x.shape[1], shares)
    precision, pull = np.diag(prior), np.where(prior > 1, SHARE_PRIOR, 0.0) * prior
    y = gas_bar - gas_bar.sum() / n
    floor = max(noise_bar, LEAST_NOISE_BAR)
    w = np.ones(n)
    sd = floor
    for _ in range(3):
        xw = x * w[:, None]
        normal = xw.T @ x / sd**2 + precision
        right = xw.T @ y / sd**2 + pull
        inverse = np.linalg.inv(normal)
        theta = inverse @ right
        residual = y - x @ theta
        w = huber_weights(residual, floor)
        spread = math.sqrt(float((w * residual**2).sum() / max(n - 2, 1)))
        sd = max(floor, spread)
    inflation = _correlation_inflation(residual, floor)
    se_bar = math.sqrt(max(inverse[1, 1], 0.0) * inflation)
    return _Fit(
        slope_bar_per_day=float(theta[1]),
        se_bar_per_day=math.hypot(se_bar, DRIFT_BAR_PER_DAY / 2, WANDER_BAR * 24 / hours),
        released_bar=float(theta[-1]) if theta_h is not None else 0.0,
        sd_bar=sd,
        spread_bar=max(spread, 1e-6),
        inflation=inflation,
    )


def _production(
    time_s: FloatArray,
    capacity_g_per_l_bar: float,
    slope_bar_per_day: float,
    se_bar_per_day: float,
    sd_bar: float,
) -> Production:
    return Production(
        rate_g_per_l_day=slope_bar_per_day * capacity_g_per_l_bar,
        se_g_per_l_day=se_bar_per_day * capacity_g_per_l_bar,
        hours=(float(time_s[-1]) - float(time_s[0])) / 3600,
        start_s=float(time_s[0]),
        end_s=float(time_s[-1]),
        residual_sd_bar=sd_bar,
    )


def _share_prior(columns: int, shares: slice) -> FloatArray:
    """Return the precision of the prior of each coefficient: that of the shares, next to none for the others."""
    prior = np.full(columns, 1e-9)
    prior[shares] = 1 / SHARE_PRIOR_SD**2
    return prior


def _correlation_inflation(residual: FloatArray, floor: float) -> float:
    """Return the factor by which neighbours' likeness widens the variance: (1 + ρ)/(1 − ρ), for an AR(1) series."""
    limit = 3 * max(MAD_TO_SD * upper_median(np.abs(residual)), floor)
    r = np.minimum(np.maximum(residual, -limit), limit)
    power = float((r * r).sum())
    if power <= 0 or len(r) < 6:
        return 1.5
    rho = float((r[1:] * r[:-1]).sum()) / power
    rho = min(max(rho, 0.0), 0.85)
    return (1 + rho) / (1 - rho)
