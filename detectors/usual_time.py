"""How long worts take for nine tenths of their gas as a rule, by temperature, and how far one differs by its own beginning."""

import math
from dataclasses import dataclass

import numpy as np

from ullage.detectors.record import Record

NINETY_PERCENT_H = ((8.0, 561.0), (10.5, 377.0), (12.0, 299.0), (16.0, 165.0), (20.0, 94.0), (25.0, 60.0))
"""Hours until 90 % of the CO2 is made, by beer temperature: Engasser's growth model with the constants of Gee &
Ramirez, integrated (16 °C and below within the data, above extrapolated; 25 °C by the same Q10)."""
_AT_C = np.array([at_c for at_c, _ in NINETY_PERCENT_H])
_LOG_HOURS = np.log([hours for _, hours in NINETY_PERCENT_H])
LONGEST_H = 24.0
FILLING = (0.25, 0.6)
"""Shares of the valve's setting between which the wort's own beginning is timed: after the air, before the valve."""


def pace_per_h(celsius: float) -> float:
    """Return the share of the way to 90 % that an hour at this temperature makes."""
    return 1 / math.exp(float(np.interp(celsius, _AT_C, _LOG_HOURS)))


@dataclass(slots=True)
class Progress:
    """Adds up the time that goes by, faster in the warm; a longer gap than a day counts as one."""

    share: float = 0.0
    """Of the time that most worts take, at these temperatures, for nine tenths of their gas."""
    _last_s: float = math.nan

    @property
    def untouched(self) -> bool:
        """Tell whether nothing was taken yet."""
        return math.isnan(self._last_s)

    def take(self, now_s: float, celsius: float) -> None:
        """Come to a moment, s, in beer of this temperature."""
        if not self.untouched:
            self.share += pace_per_h(celsius) * min((now_s - self._last_s) / 3600, LONGEST_H)
        self._last_s = now_s


@dataclass(slots=True)
class OwnPace:
    """Times how fast the wort fills the vessel before the valve opens; to be asked twice an hour."""

    times: float = math.nan
    """As a multiple of most; NaN if it was not seen to."""
    _quarter: tuple[float, float] | None = None
    _filled: bool = False

    def take(self, now_s: float, record: Record) -> None:
        """Take the newest pressure."""
        if self._filled or record.valve.sealed or record.valve.set_bar is None:
            return
        low_bar, high_bar = (share * record.valve.set_bar for share in FILLING)
        bar = record.bar
        if bar >= high_bar and self._quarter is not None:
            from_s, from_bar = self._quarter
            rate = (bar - from_bar) * record.capacity_g_per_l_bar / ((now_s - from_s) / 3600)
            self.times = rate / (record.expected_co2_g_per_l * pace_per_h(record.beer_c))
            self._filled = True
        elif bar >= high_bar:
            self._filled = True  # too late to see it
        elif bar >= low_bar and self._quarter is None:
            self._quarter = (now_s, bar)

    @property
    def course(self) -> float:
        """How much faster than usual such a wort goes on, as a rule: the square root, as beginnings differ more than courses."""
        return 1.0 if math.isnan(self.times) else math.sqrt(self.times)
