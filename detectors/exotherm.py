"""The heat that yeast makes, from beer and air: once as much has come as the wort had to give, the end is near.

Beer loses heat to the air around it at a rate that is proportional to how much warmer it is, with the time constant τ of
its vessel: τ dT/dt + (T − air) is what the yeast adds, times τ, and whatever two thermometers differ by. That difference
is not known, so heat is counted above what comes now: while much is made, little stands above it; once hardly any is,
all of it does. 0.56 MJ come with each kilogram of extract (R. Barth, citing Farber & Barth 2019), that is 1.21 kJ with a
gram of CO2 (Balling), which warms a litre of beer and its share of the vessel by 0.29 K.

τ is told by how beer answers the fridge and the room: hour by hour, a swing of T − air is τ times the swing of dT/dt. It
proves nothing: a heat belt that takes over from the yeast hides the end, and one that is switched off looks like it.
"""

import math
from collections import deque
from dataclasses import dataclass

from ullage.detectors.samples import Kind, Samples

HEAT_K_PER_G_L = 0.29
"""Warming by one gram of CO2 per litre without loss: 1.21 kJ over 4.2 kJ/(L K), a 20 L vessel with its beer."""
HOUR_S = 3600.0
USUAL_LAG_H, USUAL_BEER_L = 7.0, 20.0
"""τ of 20 L in a fridge (standard correlations: 4 to 12 h); it goes with the size, as volume over surface."""
LAG_RANGE = (0.5, 2.2)
"""Shares of that between which the lag that is told by swings is believed."""
PART = 3
"""Hours that are put together before differences are taken: noise of thermometers that step by 0.06 K."""
ALONG = tuple(weight / 18 for weight in (1, 3, 5, 5, 3, 1))
"""How much of each hour is in the slope between two threes that follow each other."""
LEARNT_H, ALIKE = 24, 0.3
"""Hours of swings before they are believed more than the size, and the share of the one that the other has to explain."""
WINDOW_H = (12, 24)
"""Hours over which what comes now is measured: an eighth of the age, within these."""
BEFORE_H = 6.0
"""Heat counts from so long before the first gas that was measured."""
LONGEST_GAP_H = 12
"""A longer silence of a thermometer loses the count."""
KEPT_H = WINDOW_H[1] + PART
GROWTH_H, ABOUT_H = (12, 48), 6
"""Hours over which it is looked whether more heat shows: a sixth of the age, within these; and so many before that, of which
the least counts: a room's days come and go in it."""


@dataclass(frozen=True, slots=True)
class _Hour:
    """Means of one hour, °C and K."""

    number: int
    beer_c: float
    above_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Heat:
    """What the heat so far amounts to."""

    co2_g_per_l: float
    """CO2 that goes with the heat above what comes now."""
    fallen_k: float
    """By how much more the beer was above its air at the height than now."""
    growth: float
    """Share of it that has shown within the last sixth of the age, half a day at least: next to none once all has come.
    NaN if that can't be told yet."""


class Exotherm:
    """Counts heat hour by hour; asks for nothing but samples and frames in order of time. Bounded: a day is kept.

    Parameters
    ----------
    beer_l
        Volume of beer, L.
    """

    def __init__(self, beer_l: float) -> None:
        self._usual_lag_h = USUAL_LAG_H * math.cbrt(beer_l / USUAL_BEER_L)
        self._offered: deque[tuple[float, float]] = deque()
        self._number: int | None = None
        self._beer: list[float] = []
        self._air: list[float] = []
        self._hours: deque[_Hour] = deque(maxlen=KEPT_H)
        self._slope_squares = self._above_squares = self._products = 0.0
        self._swings = 0
        self._begin_c = math.nan
        self._count = 0
        self._sum_k = 0.0
        self._highest_k = -math.inf
        self._lost = False
        self._shown_k_h: deque[float] = deque(maxlen=GROWTH_H[1] + ABOUT_H + 1)
        """Heat above what came then, hour by hour."""

    def offer(self, samples: Samples) -> None:
        """Take readings of the air, to be looked at when `absorb` has come to their time."""
        rows = samples.kind == Kind.AIR
        if rows.any():
            times, values = samples.time_s[rows].tolist(), samples.value[rows].tolist()
            self._offered.extend(sorted(zip(times, values, strict=True)))

    def absorb(self, until_s: float, beer_c: float, began_s: float | None) -> None:
        """Come to the end of a frame.

        Parameters
        ----------
        until_s
            The frame's end, s.
        beer_c
            The beer in it, °C; NaN if the probe was silent, or sits in air itself.
        began_s
            When the first gas was measured; None before it, NaN if it was not seen: then there is nothing to count.
        """
        number = math.ceil(until_s / HOUR_S) - 1
        if self._number is not None and number > self._number:
            self._close(began_s)
        self._number = number
        while self._offered and self._offered[0][0] <= until_s:
            self._air.append(self._offered.popleft()[1])
        if not math.isnan(beer_c):
            self._beer.append(beer_c)

    def heat(self) -> Heat | None:
        """Return the heat so far; None where it was not watched from the beginning on, or for too short a time."""
        if self._lost or not self._shown_k_h:
            return None
        shown_k_h = self._shown_k_h[-1]
        back = int(min(max(self._count / 6, GROWTH_H[0]), GROWTH_H[1]))
        known = len(self._shown_k_h) > back + ABOUT_H and shown_k_h > 0
        return Heat(
            co2_g_per_l=shown_k_h / (self.lag_h * HEAT_K_PER_G_L),
            fallen_k=self._highest_k - _mean_k(list(self._hours)[-WINDOW_H[0] :]),
            growth=1 - min(list(self._shown_k_h)[-1 - back - ABOUT_H : -back]) / shown_k_h
            if known
            else math.nan,
        )

    def _show(self) -> None:
        """Note the heat above what comes now, K h, once there are hours enough to tell what comes now."""
        window = int(min(max(self._count / 8, WINDOW_H[0]), WINDOW_H[1]))
        if self._count < 2 * window or len(self._hours) <= window:
            return
        hours, lag_h = list(self._hours)[-window - 1 :], self.lag_h
        # from the middle of the first hour to that of the last: sums by trapezoids, slopes by those two hours
        now_k_h = _between_middles(hours) + lag_h * (hours[-1].beer_c - hours[0].beer_c)
        all_k_h = self._sum_k - hours[-1].above_k / 2 + lag_h * (hours[-1].beer_c - self._begin_c)
        self._shown_k_h.append(all_k_h - now_k_h / window * (self._count - 1))

    @property
    def lag_h(self) -> float:
        """Time constant of the beer behind its air, h."""
        low, high = (share * self._usual_lag_h for share in LAG_RANGE)
        squares = self._slope_squares * self._above_squares
        if self._swings < LEARNT_H or self._products <= 0 or self._products**2 < ALIKE * squares:
            return self._usual_lag_h
        # the one regression is low by the noise of slopes, the other high by that of the differences: take the middle
        return min(max(math.sqrt(self._above_squares / self._slope_squares), low), high)

    def _close(self, began_s: float | None) -> None:
        """Take the hour that is over."""
        assert self._number is not None
        number, beer, air = self._number, self._beer, self._air
        self._beer, self._air = [], []
        if not beer or not air:
            return
        beer_c = sum(beer) / len(beer)
        hour = _Hour(number, beer_c, beer_c - sum(air) / len(air))
        if self._hours:
            last = self._hours[-1]
            missed = number - last.number - 1
            if missed > LONGEST_GAP_H:
                self._hours.clear()
                self._lost |= began_s is not None
            for step in range(1, missed + 1 if missed <= LONGEST_GAP_H else 1):
                self._take(_between(last, hour, step / (missed + 1)), began_s)
        self._take(hour, began_s)

    def _take(self, hour: _Hour, began_s: float | None) -> None:
        self._hours.append(hour)
        self._learn_lag()
        if len(self._hours) >= WINDOW_H[0]:
            self._highest_k = max(self._highest_k, _mean_k(list(self._hours)[-WINDOW_H[0] :]))
        if began_s is None or self._lost:
            return
        if self._count:
            self._count += 1
            self._sum_k += hour.above_k
            self._show()
            return
        first = [one for one in self._hours if (one.number + 1) * HOUR_S > began_s - BEFORE_H * HOUR_S]
        # nothing of what came before the air was watched can be made up for
        self._lost = not first or first[0].number * HOUR_S > began_s
        if not self._lost:
            self._count, self._begin_c = len(first), first[0].beer_c
            self._sum_k = sum(one.above_k for one in first) - first[0].above_k / 2

    def _learn_lag(self) -> None:
        if len(self._hours) < 3 * PART:
            return
        nine = list(self._hours)[-3 * PART :]
        beer_c = [_mean_c(nine[at : at + PART]) for at in (0, PART, 2 * PART)]
        slope_k_per_h = (beer_c[2] - 2 * beer_c[1] + beer_c[0]) / PART
        swing_k = sum(
            weight * (later.above_k - earlier.above_k)
            for weight, earlier, later in zip(ALONG, nine[:-PART], nine[PART:], strict=True)
        )
        self._slope_squares += slope_k_per_h**2
        self._above_squares += swing_k**2
        self._products -= slope_k_per_h * swing_k
        self._swings += 1


def _between(one: _Hour, other: _Hour, share: float) -> _Hour:
    return _Hour(
        round(one.number + share * (other.number - one.number)),
        one.beer_c + share * (other.beer_c - one.beer_c),
        one.above_k + share * (other.above_k - one.above_k),
    )


def _between_middles(hours: list[_Hour]) -> float:
    """Return the sum of beer over air between the middles of the first and the last hour, K h."""
    return sum(hour.above_k for hour in hours) - (hours[0].above_k + hours[-1].above_k) / 2


def _mean_c(hours: list[_Hour]) -> float:
    return sum(hour.beer_c for hour in hours) / len(hours)


def _mean_k(hours: list[_Hour]) -> float:
    return sum(hour.above_k for hour in hours) / len(hours)
