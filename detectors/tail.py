"""How slowly a fermentation can still die away: from the rates seen so far, and from its age alone.

A rate of production says little by itself: 0.25 g/L a day is the last breath of a warm ale and a week's work for a cold
lager. What is still to come is rate times the time constant of the tail, and that constant shows in how the rate has
fallen before.
"""

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

from ullage.detectors.production import Production

SPACING_S = 3600.0
KEPT = 400
FALLS = (1.4, 2.0, 4.0)
"""Falls of the rate over which the time constant is read: the nearest sees first that the fall has ended on a slow last
sugar, the widest is steadiest; the largest of them counts."""
SLOW_SIDE = 1.3
"""Allowance for a tail that is slower than the fall before it."""
EVEN = 1.2
"""Most by which the nearest fall may be slower than the widest, where first-order fading alone is looked for."""
RISING_S, RISING = 36 * 3600.0, 2.5
"""A rate surely so many times one of the last day and a half is no fading yeast's: a beat of teeth that the sampling can't follow."""
MOST_GROWTH = 2.6
"""Most by which the next fall may be slower than the last one: a small slow sugar shows as falls that take ever longer."""


@dataclass(frozen=True, slots=True)
class Rate:
    """A rate of production once measured, with its standard error, g/L/day, at the middle of its window."""

    time_s: float
    rate: float
    se: float
    share: float = 1.0
    """What it has to be multiplied by to be CO2: less than 1 for drops that are worth less than beer and gas in balance."""


class RateHistory:
    """The rates of a batch, at most one an hour."""

    def __init__(self) -> None:
        self._rates: deque[Rate] = deque(maxlen=KEPT)
        self._peak = 0.0
        self._peak_co2 = 0.0

    def note(self, production: Production, share: float = 1.0) -> None:
        """Keep a rate whose standard error is at most 0.15 of it or 0.1 g/L/day."""
        if production.se_g_per_l_day > max(0.15 * production.rate_g_per_l_day, 0.1):
            return
        middle_s = (production.start_s + production.end_s) / 2
        self._peak = max(self._peak, production.low)
        self._peak_co2 = max(self._peak_co2, production.low * share)
        if self._rates and middle_s - self._rates[-1].time_s < SPACING_S:
            return
        self._rates.append(Rate(middle_s, production.rate_g_per_l_day, production.se_g_per_l_day, share))

    @property
    def peak(self) -> float:
        """Highest rate that was surely reached, g/L/day; 0 if none was ever measured."""
        return self._peak

    @property
    def peak_co2_g_per_l_day(self) -> float:
        """Return the highest rate of CO2 that was surely reached; 0 if none was ever measured."""
        return self._peak_co2

    def before(self, time_s: float, since_s: float = -math.inf) -> Iterable[Rate]:
        """Return the rates before a moment, newest first, back to another one."""
        return (rate for rate in reversed(self._rates) if since_s <= rate.time_s < time_s)

    def tail_h(self, production: Production) -> float | None:
        """Return an upper estimate of the tail's time constant, h; None if the rate is not seen to have fallen."""
        falls_h = self._falls_h(production)
        if not falls_h:
            return None
        growth = falls_h[0] / falls_h[-1]  # of the nearest fall against the widest
        return min(max(growth, SLOW_SIDE), MOST_GROWTH) * max(falls_h)

    def even_tail_h(self, production: Production, since_s: float) -> float | None:
        """Return the same by rates since a moment; None also if they fell steeply first and then hardly, as no yeast does
        but gas that the beer gives off beside it."""
        falls_h = self._falls_h(production, since_s)
        if not falls_h or falls_h[0] > EVEN * falls_h[-1]:
            return None
        return SLOW_SIDE * max(falls_h)

    def _falls_h(self, production: Production, since_s: float = -math.inf) -> list[float]:
        """Return the time constant, h, over each of the falls that are seen, the nearest first."""
        now_s = (production.start_s + production.end_s) / 2
        high = max(production.rate_g_per_l_day + 0.5 * production.se_g_per_l_day, 0.02)
        falls_h: list[float] = []
        after_s, after = now_s, high
        for one in self.before(now_s, since_s):
            low = one.rate - 0.5 * one.se
            while low >= (fall := FALLS[len(falls_h)]) * high:
                crossed_s = _crossed_s(fall * high, one.time_s, low, after_s, max(after, high))
                falls_h.append((now_s - crossed_s) / 3600 / math.log(fall))
                if len(falls_h) == len(FALLS):
                    return falls_h
            after_s, after = one.time_s, low
        return falls_h

    def rising(self, production: Production) -> bool:
        """Tell whether a rate has surely come up again from a lower one within a day and a half."""
        now_s = (production.start_s + production.end_s) / 2
        low = production.rate_g_per_l_day - production.se_g_per_l_day
        return any(
            now_s - one.time_s < RISING_S and RISING * (one.rate + one.se) < low for one in self.before(now_s)
        )


def _crossed_s(level: float, before_s: float, before: float, after_s: float, after: float) -> float:
    """Return when the rate fell through a level, s, between two rates by their logarithms.

    A rate that has fallen steeply and then stood still for a day has fallen slowly, as far as its last part goes.
    """
    after = min(after, level)
    part = math.log(before / level) / math.log(before / after) if before > after else 0.0
    return before_s + part * (after_s - before_s)


def tail_by_age_h(made_g_per_l: float, age_h: float, rate_g_per_l_day: float) -> float:
    """Return the time constant with which a fermentation of this age dies away, in hours, on the slow side.

    A first-order fermentation that has made `made` in `age` hours and now makes `rate` has R = rate·τ still to come
    and obeys age = τ·ln((made + R)/R). Sigmoid kinetics fade faster than that for the same age.
    """
    rate_h = max(rate_g_per_l_day, 1e-3) / 24
    low, high = 1.0, max(4 * age_h, 10.0)
    for _ in range(24):
        middle = math.sqrt(low * high)
        if middle * math.log1p(made_g_per_l / (rate_h * middle)) < age_h:
            low = middle
        else:
            high = middle
    return high
