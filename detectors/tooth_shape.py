"""Do a cycling valve's teeth bend? Then beer and gas take their time, and a drop is the head space's gas alone.

After a drop the beer holds more gas than the new pressure allows and gives it to the head space: the tooth begins
steeper than it ends. With slopes that differ by δ of their mean over a tooth of T hours, beer and gas come into balance
at δ/T an hour. Production that fades bends teeth too, but then each is flatter than the one before, while exchange
begins anew at every drop. Straight teeth tell nothing: exchange may be much faster than a tooth, or much slower.
"""

import math
from collections import deque
from dataclasses import dataclass, field

import numpy as np

LEAST_POINTS = 6
FORGET = 0.92
"""Weight that a tooth keeps with each that follows: a dozen count."""
LEAST_ERROR = 0.15
"""Least error of the rate from one tooth, 1/h: no single one may outweigh all others."""
ALONE = 0.1
"""Least number of teeth beside one by which they are taken to agree: one that outweighs all others proves nothing."""
SKIPPED = 2
"""Minutes after a drop, and before one, that are not used: three-point medians smear it, and its beginning looks like a
bend."""


@dataclass(slots=True)
class ToothShape:
    """Sums over the tooth that lasts now, and what the teeth before it say of the rate of exchange."""

    _begun_s: float = math.nan
    _after_drop: bool = False
    """Whether the rise began at a drop; the very first one did not."""
    _seen: int = 0
    _points: int = 0
    """Minutes of the tooth so far, and those of them in the sums."""
    _waiting: deque[tuple[float, float]] = field(default_factory=deque)
    """The latest minutes: they count once it is known that no drop follows."""
    _sums: tuple[float, ...] = (0.0,) * 9
    """Σ of t, t², t³, t⁴ (hours), p, tp, t²p, p²; and the last t."""
    _weight: float = 0.0
    _product: float = 0.0
    _weights_squared: float = 0.0
    _last: tuple[float, float] | None = None
    _slope: tuple[float, float] | None = None
    """When the middle of the last tooth was, and its mean slope, bar/h."""
    _fallen: float = 0.0
    _fallen_h: float = 0.0
    """By how much the logarithm of the slope has fallen from tooth to tooth, and in how many hours."""
    _pairs: float = 0.0
    _differences: float = 0.0
    """Of neighbouring teeth: the lesser weights, and half the squares of what they differ by."""
    teeth: float = 0.0
    """Teeth measured, each by the weight that it still has."""

    def point(self, time_s: float, bar: float) -> None:
        """Take a minute of the tooth."""
        self._seen += 1
        if self._seen <= SKIPPED:
            self._begun_s = time_s
            self._first_bar = bar
            return
        self._waiting.append((time_s, bar))
        if len(self._waiting) > SKIPPED:
            self._add(*self._waiting.popleft())

    def _add(self, time_s: float, bar: float) -> None:
        self._points += 1
        t, p = (time_s - self._begun_s) / 3600, bar - self._first_bar
        t1, t2, t3, t4, p0, p1, p2, pp, _ = self._sums
        self._sums = (
            t1 + t, t2 + t * t, t3 + t**3, t4 + t**4, p0 + p, p1 + t * p, p2 + t * t * p, pp + p * p, t
        )  # fmt: skip

    _first_bar: float = 0.0

    def forget(self) -> None:
        """Leave the tooth that lasts now out."""
        self._seen = self._points = 0
        self._sums = (0.0,) * 9
        self._waiting.clear()

    def drop(self, noise_bar: float) -> None:
        """The tooth is over: keep what it says."""
        n = self._points if self._after_drop else 0
        self._after_drop = True
        t1, t2, t3, t4, p0, p1, p2, pp, hours = self._sums
        self.forget()
        if n < LEAST_POINTS or hours <= 0:
            return
        normal = np.array(((n, t1, t2), (t1, t2, t3), (t2, t3, t4)))
        right = np.array((p0, p1, p2))
        try:
            inverse = np.linalg.inv(normal)
        except np.linalg.LinAlgError:
            return
        _, slope, bend = (float(v) for v in inverse @ right)
        misfit = max(pp - float(right @ inverse @ right), 0.0)
        sd = max(noise_bar, math.sqrt(misfit / max(n - 3, 1)))
        mean_slope = slope + bend * hours
        if mean_slope * hours < 3 * sd:
            return
        # slopes at both ends differ by 2·bend·T; per hour and mean slope that is the rate of exchange
        error = 2 * sd * math.sqrt(max(float(inverse[2, 2]), 0.0)) * 1.5
        weight = 1 / max(error / mean_slope, LEAST_ERROR) ** 2
        rate = -2 * bend / mean_slope
        self._weight = FORGET * self._weight + weight
        self._product = FORGET * self._product + rate * weight
        if self._last is not None:
            pair = min(weight, self._last[1])
            self._pairs = FORGET * self._pairs + pair
            self._differences = FORGET * self._differences + pair * (rate - self._last[0]) ** 2 / 2
        self._last = rate, weight
        self._fall(self._begun_s + hours * 1800, mean_slope)
        self._weights_squared = FORGET**2 * self._weights_squared + weight * weight
        self.teeth = FORGET * self.teeth + 1

    def _fall(self, middle_s: float, slope_bar_per_h: float) -> None:
        """Keep by how much the slope has fallen since the last tooth that was measured."""
        if self._slope is not None:
            before_s, before_bar_per_h = self._slope
            hours = (middle_s - before_s) / 3600
            if hours < 24:
                self._fallen = FORGET * self._fallen + math.log(before_bar_per_h / slope_bar_per_h)
                self._fallen_h = FORGET * self._fallen_h + hours
        self._slope = middle_s, slope_bar_per_h

    @property
    def fading_per_h(self) -> float:
        """Return how fast the slopes fall from tooth to tooth, 1/h."""
        return max(self._fallen / self._fallen_h, 0.0) if self._fallen_h > 0 else 0.0

    @property
    def exchange_per_h(self) -> tuple[float, float]:
        """Return the rate at which beer and gas come into balance, 1/h, and its standard error; error inf if unknown.

        What neighbouring teeth differ by is in the error: one that a leak or a turned valve has bent is one among others.
        """
        if self._pairs <= 0:
            return 0.0, math.inf
        others = max(self._weight**2 / self._weights_squared - 1, ALONE)
        scatter = self._differences / self._pairs
        return self._product / self._weight, math.sqrt(1 / self._weight + scatter / others)
