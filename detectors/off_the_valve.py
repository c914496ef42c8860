"""A smooth valve's pressure that begins to leave the valve: in cool hours the beer takes up more gas than is made.

A valve that passes gas pins the pressure, however the temperature goes. Each kelvin of cooling asks for about 0.1 g/L of
CO2: as long as more than that is made, the valve goes on passing. Once production has faded to a few tenths of a gram a
day, a cool spell of the fridge takes the pressure off its valve, and the next warm one brings it back. So a pressure that
dips by far more than it wandered on the calmest day since the valve began to hold speaks of the end, days before cooling
takes it so far down that the vessel is surely shut (`cooled_shut.py`). It has to come off the valve while the beer cools slowly:
at 2 K an hour it asks for nearly 5 g/L a day, and what is made hides behind that. It proves nothing: a draught does it as
well. What a hand does is told apart: a valve turned in holds more than before, and one turned out lets the pressure fall at once.
"""

import math

import numpy as np

from ullage.detectors.co2 import solubility_g_per_l_bar, solubility_slope_per_k
from ullage.detectors.medians import median
from ullage.detectors.record import BAR, BEER, TIME, Record
from ullage.detectors.samples import FloatArray

WINDOW_S = 24 * 3600.0
LEAST_FRAMES = 130
"""Frames of ten minutes in a window that count as a whole day."""
MORE, NOISES, LEAST_BAR = 2.5, 4.0, 0.005
"""The pressure wanders if its spread is so many times the calmest day's, so many times its noise, and so many bar."""
LOWER_BAR = 0.01
"""A pressure lower by this, and its noise, than on the last calm day is below the level that the valve held."""
AT_ONCE = 0.4
"""Part of what it wanders by that goes from one frame to the next where a hand has turned the valve: gas takes hours."""
LITTLE_G_PER_L_DAY = 1.0
"""A pressure that climbs faster than by so much CO2 shows that fermentation goes on."""
HOUR = 6
"""Frames to an hour."""
FALLS = 0.5
"""Hours in which the pressure falls by such a part of its steepest fall and more are those in which it leaves the valve."""
FELT_H = 3
"""So long after the beer has cooled it still takes up gas."""
LOOKS = 3
"""So many looks on end have to show it."""
SELDOM_S, OFTEN_S = 3 * 3600.0, 3600.0
"""Time from look to look, until half of the usual time has gone by and after that."""


class OffTheValve:
    """Holds the spread of a smooth valve's pressure over a day against that of the calmest day so far."""

    def __init__(self) -> None:
        self._calmest_bar = math.inf
        self._level_bar = math.inf
        """Median of the last calm day."""
        self._spread_bar = 0.0
        self._seen = 0

    def take(self, record: Record, *, often: bool) -> None:
        """Take a look, if one is due."""
        valve, now_s = record.valve, record.now_s
        if not record.due(OFTEN_S if often else SELDOM_S) or valve.held.since_s is None or valve.cycles:
            return
        since_s = max(now_s - WINDOW_S, valve.held.since_s, valve.changed_s, record.trusted_since_s)
        rows = record.since(since_s)
        if len(rows) < LEAST_FRAMES:
            return
        bars, noise_bar = rows[:, BAR], valve.frame_noise_bar
        self._spread_bar = _spread(rows[:, TIME], bars)
        if self._spread_bar <= max(MORE * self._calmest_bar, NOISES * noise_bar, LEAST_BAR):
            self._seen = 0
            self._level_bar = median(bars.tolist())
        elif self._by_hand(bars, noise_bar) or _much_is_made(record, rows) or _much_is_taken_up(record, rows):
            self._seen = 0
        else:
            self._seen += 1
        self._calmest_bar = min(self._calmest_bar, self._spread_bar)

    def _by_hand(self, bars: FloatArray, noise_bar: float) -> bool:
        """Tell whether a hand has turned the valve: a step up, or one down to below the level; a tooth ends where it began."""
        steps_bar = np.diff(bars)
        at_once_bar = AT_ONCE * float(np.ptp(bars)) + 3 * noise_bar
        turned_out = steps_bar < -at_once_bar
        below = bars[1:] < self._level_bar - LOWER_BAR - 4 * noise_bar
        return bool((steps_bar > at_once_bar).any() or (turned_out & below).any())

    def evidence(self, record: Record) -> tuple[str, ...]:
        """Return the evidence that pressure has begun to leave the valve, in beer warm enough; empty if it has not."""
        limits = record.vessel.yeast_temperature_c
        if self._seen < LOOKS or (limits is not None and record.beer_c < limits[0]):
            return ()
        wanders = (
            f"cool hours take the pressure off the valve: it wanders by {2e3 * self._spread_bar:.0f} mbar either way within a "
            f"day, on the calmest since the valve began to hold by {2e3 * self._calmest_bar:.0f}"
        )
        return wanders, f"{record.age_h:.0f} h since the first gas"


def _much_is_made(record: Record, rows: FloatArray) -> bool:
    """Tell whether pressure climbs within an hour as it does while much CO2 is made, whether or not the beer keeps up."""
    capacity = record.capacity_g_per_l_bar
    in_gas, in_all = capacity * rows[:, BAR], record.co2_g_per_l(rows)
    risen = np.minimum(in_gas[HOUR:] - in_gas[:-HOUR], in_all[HOUR:] - in_all[:-HOUR])
    return float(risen.max()) > LITTLE_G_PER_L_DAY / 24 + 4 * capacity * record.valve.frame_noise_bar


def _much_is_taken_up(record: Record, rows: FloatArray) -> bool:
    """Tell whether the beer cools so fast, as pressure leaves the valve, that it may take up all of a fermentation's gas; or
    that no hour took pressure off it at all.

    No more than it takes up is made then: solubility's slope times how fast it cools.
    """
    celsius = rows[:, BEER]
    fallen_bar, cooled_k = rows[:-HOUR, BAR] - rows[HOUR:, BAR], celsius[:-HOUR] - celsius[HOUR:]
    cooled_k = np.where(np.isnan(cooled_k), 0.0, cooled_k)
    back = FELT_H * HOUR
    padded = np.concatenate([np.full(back, -np.inf), cooled_k])
    felt_k = np.lib.stride_tricks.sliding_window_view(padded, back + 1).max(axis=1)
    if fallen_bar.max() <= 0:
        return True
    leaves = fallen_bar >= FALLS * fallen_bar.max()
    absolute_bar = record.bar + record.vessel.air_pressure_bar
    per_k = (
        -float(solubility_slope_per_k(record.beer_c) * solubility_g_per_l_bar(record.beer_c)) * absolute_bar
    )
    return per_k * median(felt_k[leaves].tolist()) * 24 > LITTLE_G_PER_L_DAY


def _spread(time_s: FloatArray, bar: FloatArray) -> float:
    """Return the standard deviation of a pressure about a parabola: a level that slides as the flow fades is no wandering."""
    x = (time_s - time_s.mean()) / WINDOW_S
    powers = np.stack((np.ones_like(x), x, x * x))
    best = np.linalg.solve(powers @ powers.T, powers @ bar)
    return float(np.std(bar - best @ powers))
