"""Whether a fermentation is past its height: to see it slow down, never to conclude its end.

By measurement where there is one:

- in a sealed vessel pressure climbs with what is made: the mean of six hours against the highest so far, of twelve or
  twenty-four where the temperature has moved the pressure meanwhile;
- in a spell in which gas provably can't leave, the rate's upper end against the highest that was measured: the height
  can't have been lower;
- a floating gravity sensor: the fall of half a day against the steepest so far. That mean lags by some nine hours, in
  which a fermentation on its way down about halves, so half counts for a third.

Behind a valve that lets gas off nothing of it can be seen: a smooth one hides the flow, and the teeth of a cycling one
are too fast to be counted until the rate is far below a third. What is left is the time that most worts take to make two
thirds of the way to ninety percent at this temperature (usual_time.py has it), set right by this wort's own beginning:
how fast it filled the vessel before the valve opened, against how fast most do. Both guesses are about equally wrong, so
their geometric mean is taken. It is a guess all the same, and says so.
"""

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from ullage.detectors.co2 import COOLING_BAR_PER_K
from ullage.detectors.frames import came_by
from ullage.detectors.gravity import Instrument
from ullage.detectors.proof import Proof
from ullage.detectors.record import BEER, TIME, TOTAL, Record
from ullage.detectors.usual_time import OwnPace, Progress

SLOW_SHARE = 1 / 3
"""Of the highest rate: below it fermentation is slowing (half way down its tail)."""
EVERY_S = 1800.0
WINDOWS_S = (6 * 3600.0, 12 * 3600.0, 24 * 3600.0)
HEIGHT_S = 2 * 3600.0
FILLS = 0.75
"""Part of the valve's setting up to which a vessel fills; nearer to it gas may leave between the readings."""
LITTLE_WARMTH = 0.15
"""What temperature may have done to a climb, as a share of the highest; where it did more, a longer one is taken."""
SURE_S = 3600.0
"""So long the climb of a sealed vessel must be low before it counts."""
LEAST_PROGRESS = 0.2
"""Share of the time until ninety percent before which a pause in the climb is no end of it."""
GUESSED_PROGRESS = 2 / 3
DAY_S, HALF_DAY_S = 86_400.0, 43_200.0
NO_LOWER = 0.9
LEAST_HEIGHT_G_PER_L_DAY = 0.5
"""A height below this is no fermentation's."""
FLOAT_WINDOW_S = 12 * 3600.0
FLOAT_SHARE = 0.5
LEAST_FALL_PER_DAY = 0.002
"""A steepest fall below this is a floating sensor's noise."""
QUICK_FALL_PER_DAY = 0.01
"""Below it the noise asks for a whole day, over which a slow fermentation falls by little."""


@dataclass(slots=True)
class Pace:
    """Looks once in half an hour; `why` is empty until there is reason to say that it slows."""

    why: str = ""
    peak_g_per_l_day: float = math.nan
    """Highest climb of a sealed vessel; NaN where none could be taken."""
    time: Progress = field(default_factory=Progress)
    """Since the first gas."""
    own: OwnPace = field(default_factory=OwnPace)
    _seen_s: float = math.inf
    _low_s: float | None = None
    _rising_s: float = -math.inf
    _floats: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=6))
    _steepest: float = 0.0

    def take(self, now_s: float, record: Record) -> None:
        """Take what is known once in half an hour, from the first gas on."""
        before_s, self._seen_s = self._seen_s, now_s
        if not came_by(before_s, now_s, EVERY_S):
            return
        self.time.take(now_s, record.beer_c)
        self.own.take(now_s, record)
        self._note_height(now_s, record)
        self._note_rising(now_s, record)
        self.why = (
            self._by_float(record)
            or self._by_climb(now_s, record)
            or self._by_shut_spell(record)
            or self._by_time(now_s, record)
        )

    def _by_climb(self, now_s: float, record: Record) -> str:
        if not record.valve.sealed:
            return ""
        rate = self._climb(now_s, record, WINDOWS_S)
        if math.isnan(rate):
            return ""
        self.peak_g_per_l_day = (
            rate if math.isnan(self.peak_g_per_l_day) else max(self.peak_g_per_l_day, rate)
        )
        if self.time.share < LEAST_PROGRESS or rate > SLOW_SHARE * self.peak_g_per_l_day:
            self._low_s = None
        elif self._low_s is None:
            self._low_s = now_s
        if self._low_s is None or now_s - self._low_s < SURE_S:
            return ""
        return f"{rate:.1f} g/L CO2 a day, after {self.peak_g_per_l_day:.1f} at its height"

    def _note_height(self, now_s: float, record: Record) -> None:
        shut = record.valve.shut and record.valve.shut_s <= now_s - HEIGHT_S
        # until the valve first holds, what fills the vessel is made, and what may seep out meanwhile is made as well
        set_bar = record.valve.set_bar or math.inf
        filling = (
            record.valve.held.since_s is None
            and record.activity_s is not None
            and record.bar < FILLS * set_bar
        )
        unvented = max(record.activity_s or 0.0, record.valve.gas_left_s) <= now_s - HEIGHT_S
        if shut or (filling and unvented):
            rate = self._climb(now_s, record, (HEIGHT_S,))
            record.steepest_g_per_l_day = max(record.steepest_g_per_l_day, rate)

    def _note_rising(self, now_s: float, record: Record) -> None:
        """Note when a rate that could be measured was no lower than one of the days before: no guess stands against it."""
        if record.production is None:
            return
        earlier = next(iter(record.rates.before(now_s - HALF_DAY_S)), None)
        if earlier is not None and record.production.rate_g_per_l_day >= NO_LOWER * earlier.rate:
            self._rising_s = now_s

    def _climb(self, now_s: float, record: Record, windows_s: Sequence[float]) -> float:
        """Return the mean rate of the latest hours, as few as its temperature allows; NaN if it can't be told."""
        capacity = record.capacity_g_per_l_bar
        for window_s in windows_s:
            rows = record.since(now_s - window_s)
            if len(rows) < 2 or rows[-1, TIME] - rows[0, TIME] < 0.8 * window_s:
                return math.nan
            days = (rows[-1, TIME] - rows[0, TIME]) / 86_400
            rate = float(rows[-1, TOTAL] - rows[0, TOTAL]) * capacity / days
            by_warmth: float = (
                COOLING_BAR_PER_K * abs(float(rows[-1, BEER] - rows[0, BEER])) * capacity / days
            )
            least = max(rate, 0.0 if math.isnan(self.peak_g_per_l_day) else self.peak_g_per_l_day)
            if not by_warmth > LITTLE_WARMTH * least:
                return float(max(rate, 0.0))
        return math.nan

    def _by_shut_spell(self, record: Record) -> str:
        steepest = record.steepest_g_per_l_day
        if record.production is None or record.valve.sealed or record.valve.proof is Proof.BELOW:
            return ""  # a vessel that still fills is on its way up, whatever the mean of hours says
        high = max(record.production.high, 0.0)
        if (
            self.time.share < LEAST_PROGRESS
            or steepest < LEAST_HEIGHT_G_PER_L_DAY
            or high > SLOW_SHARE * steepest
        ):
            return ""
        return f"at most {high:.1f} g/L CO2 a day while gas can't leave, after {steepest:.1f} before"

    def _by_float(self, record: Record) -> str:
        latest = record.gravity.latest
        if latest is None or latest.instrument is not Instrument.FLOAT:
            return ""
        if not self._floats or latest.time_s > self._floats[-1][0]:
            self._floats.append((latest.time_s, latest.gravity))
        quick = self._steepest >= QUICK_FALL_PER_DAY
        window_s, share = (FLOAT_WINDOW_S, FLOAT_SHARE) if quick else (2 * FLOAT_WINDOW_S, SLOW_SHARE)
        before = [point for point in self._floats if latest.time_s - point[0] >= window_s]
        if not before:
            return ""
        at_s, gravity = before[-1]
        fall = (gravity - latest.gravity) / ((latest.time_s - at_s) / 86_400)
        self._steepest = max(self._steepest, fall)
        if self._steepest < LEAST_FALL_PER_DAY or fall > share * self._steepest:
            return ""
        return f"gravity falls by {max(fall, 0.0):.3f} a day, after {self._steepest:.3f} at its height"

    def _by_time(self, now_s: float, record: Record) -> str:
        if record.valve.held.bar is None or self._steepest >= LEAST_FALL_PER_DAY:
            return ""
        if now_s - self._rising_s < DAY_S:
            return ""
        if self.time.share * self.own.course < GUESSED_PROGRESS:
            return ""
        return "a guess by the time that most worts take: gas that passes the valve can't be measured"
