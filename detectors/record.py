"""What is known of one vessel's batch so far: the frames, the valve, the production and the conclusions.

`Record` takes each frame and entry before the slow detectors do; they read it, and write only their own conclusion
(`finished_s`, `activity_s`, …). Two weeks of ten-minute frames are kept: about 100 kB a vessel.
"""

import math

import numpy as np

from ullage.detectors.co2 import (
    KELVIN,
    capacity_g_per_l_bar,
    gas_g_per_l_bar,
    solubility_g_per_l_bar,
    solubility_slope_per_k,
)
from ullage.detectors.exotherm import Exotherm
from ullage.detectors.extract import co2_to_come_g_per_l
from ullage.detectors.frames import Frame, came_by
from ullage.detectors.gravity import Instrument
from ullage.detectors.gravity_evidence import GravityEvidence
from ullage.detectors.journal import UNDO, Word, understand
from ullage.detectors.production import Production, measure, measure_beside_release
from ullage.detectors.samples import Entry, FloatArray, Samples
from ullage.detectors.slopes import upper_median
from ullage.detectors.stage import NextStep, Stage, StageChange, before_current
from ullage.detectors.tail import RateHistory
from ullage.detectors.thermometer import Thermometer
from ullage.detectors.valve import Valve
from ullage.detectors.vessel import Vessel

KEPT = 2016
"""Frames kept: fourteen days."""
TIME, BAR, TOTAL, CELSIUS, BEER = range(5)
LAGS_H = (0.3, 3.0, 12.0)
"""Lags at which solubility may follow temperature, h: a small head space fills within the hour, a quiet tall vessel
takes the day."""
LAGGED = slice(5, 5 + len(LAGS_H))
COLUMNS = 5 + len(LAGS_H)
MOST_ZERO_BAR = 0.08
"""No sensor in order is further off in the open air (common practice: 1 % of 6 bar and the weather); what shows more than
that is under pressure, whatever the journal says."""
HELD_K = 1.0
"""How closely a brewer holds a planned temperature (common practice)."""
COLD_WORT_C = 6.0
"""No yeast is pitched colder (common practice: lagers from 7 or 8 °C on)."""


class Record:
    """The batch so far; one row a frame in a bounded table (time, bar, bar with all drops added, probe °C, beer °C
    and that lagged)."""

    def __init__(self, vessel: Vessel) -> None:
        self.vessel = vessel
        self.valve = Valve(vessel)
        self._table = np.full((KEPT * 2, COLUMNS), np.nan)
        self._rows = 0
        self._newest = (math.nan,) * COLUMNS
        """The table's last row, as plain numbers: it is asked for at every turn."""
        self.thermometer = Thermometer(vessel.probe)
        self._lagged_c = [math.nan] * len(LAGS_H)
        self._lagged_s: float | None = None
        self._start_bar = 0.0
        self._before_s = -math.inf
        """Time of the newest pressure before the newest frame."""
        self.first_s: float | None = None
        self.pitched_s: float | None = None
        self.activity_s: float | None = None
        self.joined_late = False
        """Whether nobody saw it begin: it was at work, or done, already when the first reading showed gas at `activity_s`."""
        self.finished_s: float | None = None
        """When the end was proved, or the brewer said it."""
        self.over_since_s: float | None = None
        """Since when it has been so, by estimate; never later."""
        self.suspected_s: float | None = None
        self.chill_to_c: float | None = None
        self.chill_s: float | None = None
        self.tapped_s: float | None = None
        self.ended_s: float | None = None
        """When the brewer ended the batch; None once another has begun."""
        self.said_over_s: float | None = None
        """When the brewer did or said what is done to beer that has fermented: fined, tapped, a stage from `finished` on."""
        self.vented_s = -math.inf
        self.zero_bar: float | None = None
        self.production: Production | None = None
        """Over the best window of the shut stretch that lasts now; None while gas can leave."""
        self.rates = RateHistory()
        self.steepest_g_per_l_day = 0.0
        """Highest climb of two hours in which gas could not leave: how high fermentation went, as far as it showed."""
        self.frozen = False
        self.trusted_since_s = -math.inf
        """No fit looks further back: before it the pressure sensor stood frozen."""
        self.moved_s = -math.inf
        """Last time that the pressure reading moved at all."""
        self.gravity = GravityEvidence()
        self.exotherm = Exotherm(vessel.beer_volume_l)
        self.stages: tuple[StageChange, ...] = ()
        """The history of stages, oldest first; replaced, never changed, so that another thread may read it."""
        self.next_step: NextStep | None = None
        self.overruled_s = -math.inf
        """When the brewer last said that fermentation is not over though it was called so."""

    # -- taking ---------------------------------------------------------------------------------------------------

    def offer(self, samples: Samples) -> None:
        """Take what comes beside pressure and beer temperature, to be looked at when the frames have come to its time."""
        self.gravity.offer(samples)
        self.exotherm.offer(samples)

    def pass_by(self, until_s: float, beer_c: float = math.nan) -> None:
        """Come to a frame's end with what was offered; `beer_c` is what a probe in the beer said, °C."""
        self.gravity.absorb(until_s)
        self.exotherm.absorb(until_s, beer_c, math.nan if self.joined_late else self.activity_s)

    def take(self, frame: Frame) -> None:
        """Take one frame."""
        if self.first_s is None:
            self.first_s = frame.end_s
        beer_c = self.thermometer.take(frame.end_s, frame.temperature_c)
        self.pass_by(frame.end_s, math.nan if self.thermometer.in_air else frame.temperature_c)
        if not math.isnan(beer_c):
            gap_h = (frame.end_s - self._lagged_s) / 3600 if self._lagged_s is not None else 0.0
            self._lagged_s = frame.end_s
            self._lagged_c = [
                beer_c if math.isnan(lagged) else lagged + (beer_c - lagged) * -math.expm1(-gap_h / lag_h)
                for lagged, lag_h in zip(self._lagged_c, LAGS_H, strict=True)
            ]
        self._before_s = self.now_s if self._rows else frame.end_s
        if math.isnan(frame.pressure_bar):
            return
        if not self._rows:
            self._start_bar = frame.pressure_bar
        if self.frozen:
            self.trusted_since_s = frame.end_s
        if frame.moved:
            self.moved_s = frame.end_s
        self.valve.take(frame, self.beer_c if math.isnan(beer_c) else beer_c)
        bar = frame.pressure_bar
        self._append((frame.end_s, bar, self.valve.total_bar, frame.temperature_c, beer_c, *self._lagged_c))
        self.production = None
        self._learn_zero(frame)

    def enter(self, entry: Entry) -> None:
        """Take one journal entry."""
        known = understand(entry.text)
        if known is None:
            return
        if known.word is Word.PITCHED:
            self.pitched_s, self.said_over_s, self.ended_s = entry.time_s, None, None
        elif known.word is Word.CHILL:
            self._chill(entry.time_s, known.number)
        elif known.word is Word.TAPPED:
            self.tapped_s = entry.time_s
        elif known.word is Word.VENTED:
            self.vented_s = entry.time_s
        elif known.word is Word.ZERO and self._rows and abs(self.last(BAR)) <= MOST_ZERO_BAR:
            self.zero_bar = self.last(BAR)
        elif known.word is Word.GRAVITY and known.number is not None:
            self.gravity.take(entry.time_s, known.number, Instrument(known.rest))
        elif known.word is Word.STAGE:
            self._stage_said(known.rest, entry.time_s)
        elif known.word in (Word.BATCH_STARTED, Word.BATCH_ENDED):
            self.ended_s = entry.time_s if known.word is Word.BATCH_ENDED else None
        if known.word in (Word.FINED, Word.TAPPED):
            self.said_over_s = entry.time_s
        self.valve.enter(known, entry.time_s)

    def _stage_said(self, said: str, time_s: float) -> None:
        """Take the brewer's word on the stage; one before the chill takes a chill back: what guards warm beer guards it again."""
        if said == UNDO:
            before = before_current(self.stages)
            stage = None if before is None else before.stage
            self.said_over_s = None
        else:
            stage = Stage(said)
            self.said_over_s = time_s if stage.place >= Stage.FINISHED.place else None
        if stage is not None and stage.place < Stage.CHILLING.place:
            self.chill_s = self.chill_to_c = None

    def _chill(self, time_s: float, to_c: float | None) -> None:
        """Take the word of a chill; `chill 20` over beer that still ferments, or is to go on, is none, and takes one back."""
        low_c = self.coldest_meant_c(time_s)
        over = self.finished_s is not None or self.said_over_s is not None
        warmer = to_c is not None and to_c >= max(
            self.thermometer.beer_c - 0.5, COLD_WORT_C if low_c is None else low_c
        )
        if warmer and not over:
            self.chill_s = self.chill_to_c = None
        else:
            self.chill_s, self.chill_to_c = time_s, to_c

    def _append(self, row: tuple[float, ...]) -> None:
        if self._rows == len(self._table):
            self._table[:KEPT] = self._table[KEPT:]
            self._rows = KEPT
        self._table[self._rows] = self._newest = row
        self._rows += 1

    def _learn_zero(self, frame: Frame) -> None:
        """An open vessel before the first activity shows the sensor's own zero."""
        if self.zero_bar is not None or self.activity_s is not None or self.first_s is None:
            return
        if (
            abs(frame.pressure_bar) <= MOST_ZERO_BAR
            and frame.end_s - self.first_s >= 3600
            and self._rows >= 6
        ):
            bars = self._table[:6, BAR]
            if np.ptp(bars) < 0.02:
                self.zero_bar = upper_median(bars)

    # -- looking back ---------------------------------------------------------------------------------------------

    def last(self, column: int) -> float:
        """Return the newest value of a column; NaN if there is none."""
        return self._newest[column]

    def since(self, time_s: float) -> FloatArray:
        """Return the rows with time ≥ `time_s` (a view)."""
        start = int(np.searchsorted(self._table[: self._rows, TIME], time_s))
        return self._table[start : self._rows]

    @property
    def now_s(self) -> float:
        """Time of the newest frame with a pressure."""
        return self.last(TIME)

    def due(self, pace_s: float) -> bool:
        """Tell whether a whole multiple of `pace_s` has gone by with the newest frame: by the clock, so that cuts change
        nothing; and whatever the minute in which a slow sensor speaks."""
        return came_by(self._before_s, self.now_s, pace_s)

    @property
    def bar(self) -> float:
        """Newest pressure less the sensor's own zero, bar gauge."""
        return self.last(BAR) - (self.zero_bar or 0.0)

    @property
    def start_bar(self) -> float:
        """Pressure of the first frames, bar gauge."""
        return self._start_bar - (self.zero_bar or 0.0)

    @property
    def beer_c(self) -> float:
        """Newest beer temperature, °C; the middle of the yeast's range if no probe was ever heard."""
        value = self.last(BEER)
        if not math.isnan(value):
            return value
        return sum(self.vessel.yeast_temperature_c) / 2 if self.vessel.yeast_temperature_c else 18.0

    def cooled_k(self, seconds: float) -> float:
        """Return by how much the beer is colder than the warmest that it was within so long, K; 0 if no probe was heard."""
        beer_c = self.since(self.now_s - seconds)[:, BEER]
        warmest_c = float(np.fmax.reduce(beer_c)) if len(beer_c) else math.nan
        return 0.0 if math.isnan(warmest_c) else max(warmest_c - self.beer_c, 0.0)

    @property
    def capacity_g_per_l_bar(self) -> float:
        """Grams of CO2 per litre of beer that raise the shut vessel by one bar."""
        return float(capacity_g_per_l_bar(self.vessel, self.beer_c))

    @property
    def head_space_g_per_l_bar(self) -> float:
        """Grams of CO2 per litre of beer that raise the head space alone by one bar."""
        return float(gas_g_per_l_bar(self.beer_c)) * self.vessel.head_space_l / self.vessel.beer_volume_l

    def co2_g_per_l(self, rows: FloatArray) -> FloatArray:
        """Return the CO2 per litre of beer at equilibrium for rows of the table, g/L, head space included."""
        celsius = np.where(np.isnan(rows[:, BEER]), self.beer_c, rows[:, BEER])
        capacity = capacity_g_per_l_bar(self.vessel, celsius)
        result: FloatArray = capacity * (rows[:, BAR] - (self.zero_bar or 0.0) + self.vessel.air_pressure_bar)
        return result

    def production_over(self, start_s: float, hours: float) -> Production | None:
        """Return the production over the last `hours` of the shut stretch that began at `start_s`."""
        return self._measured(start_s, hours, TOTAL)

    def loss_over(self, start_s: float, hours: float) -> Production | None:
        """Return the same with what fell in drops counted as lost: where they are no valve's."""
        return self._measured(start_s, hours, BAR)

    def _measured(self, start_s: float, hours: float, column: int) -> Production | None:
        stretch = self._stretch(start_s, hours, column)
        if stretch is None:
            return None
        return measure(*stretch, self.capacity_g_per_l_bar, self.valve.frame_noise_bar)

    def production_beside_release(self, start_s: float, hours: float) -> Production | None:
        """Return the production since the valve was shut at `start_s`, apart from gas that the beer gives off."""
        stretch = self._stretch(start_s, hours)
        if stretch is None:
            return None
        return measure_beside_release(*stretch, self.capacity_g_per_l_bar, self.valve.frame_noise_bar)

    def _stretch(
        self, start_s: float, hours: float, column: int = TOTAL
    ) -> tuple[FloatArray, FloatArray, FloatArray] | None:
        """Return times, gas-law-corrected pressure and the full effect of solubility on it, for a fit."""
        rows = self.since(max(start_s, self.now_s - hours * 3600, self.trusted_since_s))
        if len(rows) < 4:
            return None
        celsius = np.where(np.isnan(rows[:, BEER]), self.beer_c, rows[:, BEER])
        mean_c = float(celsius.mean())
        lagged = np.where(np.isnan(rows[:, LAGGED]), mean_c, rows[:, LAGGED])
        absolute = rows[:, BAR] - (self.zero_bar or 0.0) + self.vessel.air_pressure_bar
        gas = absolute * (mean_c + KELVIN) / (celsius + KELVIN) + rows[:, column] - rows[:, BAR]
        in_beer = float(solubility_g_per_l_bar(mean_c))
        ratio = self.vessel.head_space_l / self.vessel.beer_volume_l
        share = in_beer / (in_beer + ratio * float(gas_g_per_l_bar(mean_c)))
        full_bar_per_k = -float(solubility_slope_per_k(mean_c)) * float(absolute.mean()) * share
        return rows[:, TIME], gas, full_bar_per_k * lagged

    # -- what is known of the batch -------------------------------------------------------------------------------

    @property
    def began_s(self) -> float:
        """When fermentation began as far as is known: first activity, pitching or the first frame."""
        if self.joined_late and self.pitched_s is not None:
            return min(self.pitched_s, self.activity_s or self.pitched_s)
        for known in (self.activity_s, self.pitched_s, self.first_s):
            if known is not None:
                return known
        return self.now_s

    @property
    def needs_no_start(self) -> bool:
        """Tell whether the brewer says that the beer has fermented already, here or elsewhere: nobody waits for gas then."""
        if self.said_over_s is not None:
            return True
        if self.chill_s is None or (self.pitched_s is not None and self.chill_s < self.pitched_s):
            return False
        low_c = self.coldest_meant_c(self.chill_s)  # cooled to where its yeast works, a wort has yet to begin
        return self.chill_to_c is None or self.chill_to_c < (COLD_WORT_C if low_c is None else low_c)

    @property
    def empty(self) -> bool:
        """Tell whether the batch was ended and nothing shows another: what is measured then concerns nobody."""
        return self.ended_s is not None and self.activity_s is None

    @property
    def under_way(self) -> bool:
        """Tell whether the beer ferments or has fermented, by gas or by the brewer's word."""
        return self.activity_s is not None or self.needs_no_start

    @property
    def age_h(self) -> float:
        """Hours since fermentation began."""
        return max((self.now_s - self.began_s) / 3600, 0.0)

    @property
    def chill_target_c(self) -> float | None:
        """Where the chill is to end, °C: by the journal, else by the plan; None if neither says."""
        if self.chill_to_c is not None:
            return self.chill_to_c
        return None if self.vessel.batch is None else self.vessel.batch.temperatures.chill_c

    def coldest_meant_c(self, now_s: float) -> float | None:
        """Return the coldest that fermentation is meant to be, °C: the yeast's lowest, or a planned step below it."""
        own, batch = self.vessel.yeast_temperature_c, self.vessel.batch
        lows = [] if own is None else [own[0]]
        began_s = self.pitched_s or self.first_s
        if batch is not None and began_s is not None:
            wanted = batch.temperatures.wanted(began_s, now_s)
            lows += [] if wanted is None else [wanted.low_c - HELD_K]
        return min(lows, default=None)

    @property
    def expected_co2_g_per_l(self) -> float:
        """CO2 that the wort can give, g/L: by Balling from the original gravity, 78 % apparent attenuation assumed."""
        gravity = self.vessel.original_gravity or 1.048
        return float(co2_to_come_g_per_l(gravity, 1 + (gravity - 1) * 0.22))
