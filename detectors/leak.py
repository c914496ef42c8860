"""A leak: gas goes, and neither temperature nor the valve nor a hand explains it.

Gas that dissolves while the beer chills takes pressure down too, but not below the balance: CO2 content computed for
equilibrium at the beer's temperature then runs above what was there before, never below. A valve whose flow fades
slides down to its reseat pressure, by a tenth of a bar or so and ever more slowly. A leak passes both; one that begins late,
too slow to be told from such a slide, is found by where the valve had come to rest (`below_its_level.py`).
"""

import math
from dataclasses import dataclass

import numpy as np

from ullage.detectors.below_its_level import BelowItsLevel
from ullage.detectors.cycle import LEAST_COUNT
from ullage.detectors.detector import Detector
from ullage.detectors.either_way import falls_either_way
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.frames import Frame
from ullage.detectors.held_level import OVER_LIFT_BAR
from ullage.detectors.medians import median
from ullage.detectors.over_lift import OverLift
from ullage.detectors.production import Production
from ullage.detectors.record import BAR, BEER, TIME, Record
from ullage.detectors.sinking import sinking_since_s
from ullage.detectors.untold_chill import UNTOLD_C
from ullage.detectors.vessel import Vessel

CALM_BAR = 0.015
"""A pressure that has stood for six hours has fallen by no more."""
TOLD_BAR = 0.02
"""A part of the fall that cooling explains is told if it is more than this."""
AT_WORK_BAR, ABOVE_SETTING_BAR = 0.02, 0.05
"""So close below the level that a valve holds, or so far above its setting, it is at work."""
CHILLED_S, CHILLED_K = 7 * 86_400.0, 3.0
"""Beer that was cooled by so much within so long goes on taking up gas for days, as fast as through a leak."""
RECOOLED_K = 1.0
"""Beer that has cooled by so much takes up what a tenth of a bar is worth and more."""
STILL_WARM_K = 1.0
"""So near to its warmest, beer had not begun to be chilled."""
UNSEEN_SWING_BAR = 0.2
"""What a fridge's swing of three kelvin, which nobody measures without a thermometer, takes off a shut vessel (60 mbar/K)."""
TAKES_UP_H = 24.0
"""So long a wort that was put under pressure from a bottle may take up gas fast, before its own yeast fills the vessel."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakSettings:
    """How much loss, and how fast, is a leak."""

    quick_loss_bar: float = 0.06
    quick_g_per_l_day: float = -0.5
    slow_loss_bar: float = 0.10
    slow_g_per_l_day: float = -0.2
    faded_loss_bar: float = 0.07
    """The same behind a smooth valve whose flow has had its time to fade: little of its slide is left to be mistaken for a leak."""
    great_loss_bar: float = 0.2
    """However slowly: more than a fading flow takes off within two days."""
    below_trough_bar: float = 0.04
    below_trough_g_per_l_day: float = -0.12
    """Below where a cycling valve reseats there is no slide to mistake for a leak."""
    balance_margin: float = 0.02
    """Share of CO2 content that must be missing; 5 % if the beer's temperature has changed by more than 3 K."""


class Leak(Detector):
    """Raises when CO2 content falls without a cause."""

    name = "leak"
    Settings = LeakSettings

    def __init__(self, vessel: Vessel, settings: LeakSettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self._raised = False
        self._calm_since_s: float | None = None
        self._calm_bar = math.nan
        self._hits = 0
        self._below = BelowItsLevel()
        self._lift = OverLift()

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Look back up to two days, but not past the last time that gas was let out."""
        if record.activity_s is None or record.tapped_s is not None or math.isnan(frame.pressure_bar):
            return []
        if record.age_h < TAKES_UP_H and record.valve.held.since_s is None:
            return []
        self._lift.take(record)
        self._below.take(record, self._lift.fades_until_s(record))
        loss = None
        if not self._lift.explains(record):
            loss = self._loss(frame.end_s, record) or self._below_its_level(record)
        self._hits = self._hits + 1 if loss is not None else 0
        if loss is not None and self._hits >= 3:
            self._calm_since_s = None
            if self._raised:
                return []
            self._raised = True
            return [self._raise(frame.end_s, record, *loss)]
        if not self._raised or loss is not None:
            return []
        falls = frame.pressure_bar < self._calm_bar - max(CALM_BAR, 4 * record.valve.frame_noise_bar)
        if self._calm_since_s is None or falls or self._still_falls(record):
            self._calm_since_s, self._calm_bar = frame.end_s, frame.pressure_bar
        if frame.end_s - self._calm_since_s < 6 * 3600:
            return []
        self._raised = False
        return [
            self.finding(
                frame.end_s, Condition.LEAK, State.CLEARED, Priority.HIGH,
                f"Pressure has stood for six hours: {record.bar:.2f} bar.", value=record.bar, unit="bar",
            )
        ]  # fmt: skip

    @staticmethod
    def _still_falls(record: Record) -> bool:
        """Tell whether gas surely goes on leaving, if more slowly than would be called a leak by itself."""
        for hours in (6.0, 18.0):  # the longer one where a fridge's swing hides it
            lately = record.production_over(record.valve.shut_s, hours)
            if lately is not None and lately.hours > hours / 2 and lately.high < 0:
                return True
        return False

    def _loss(self, now_s: float, record: Record) -> tuple[float, float, float] | None:
        """Return (bar lost, bar of that which cooling does not explain, g/L/day) if gas is going without a cause."""
        if _passes_gas(record) or (record.chill_s is not None and math.isnan(record.thermometer.beer_c)):
            return None  # how much the beer takes up as it cools can't be known without a thermometer
        sinking_s = sinking_since_s(record.valve)
        since_s = max(now_s - 48 * 3600, _let_off_s(record) if sinking_s is None else sinking_s)
        since_s = max(since_s, record.valve.opened_s + 7200, record.vented_s + 3600)
        rows = record.since(_left_the_level_s(record, since_s))
        if len(rows) < 12:
            return None
        content = record.co2_g_per_l(rows)
        smooth = np.convolve(content, np.full(3, 1 / 3), "valid")
        top = int(np.argmax(smooth)) + 1
        if rows[-1, TIME] - rows[top, TIME] < 1.5 * 3600:
            return None
        lost_bar = float(rows[top, BAR]) - median(rows[-3:, BAR].tolist())
        changed_c = abs(float(rows[top, BEER]) - float(rows[-1, BEER]))
        margin = 0.05 if changed_c > 3 else self.settings.balance_margin
        reference = (
            median(content[: max(3, len(content) // 8)].tolist()) if changed_c > 1 else float(smooth.max())
        )
        before = _before_the_chill_g_per_l(record)
        if before is not None and before < reference:
            reference, margin = before, 0.05
        if median(content[-3:].tolist()) > reference * (1 - margin):
            return None
        over = record.production_over if sinking_s is None else record.loss_over
        recent, longer = over(since_s, 3.0), over(since_s, 8.0)
        if recent is None or longer is None:
            return None
        if math.isnan(record.thermometer.beer_c) and lost_bar < UNSEEN_SWING_BAR:
            return None
        if not self._is_leak(record, lost_bar, recent, longer) or not falls_either_way(record, rows):
            return None
        quick = recent.high < self.settings.quick_g_per_l_day
        unexplained_bar = lost_bar
        if changed_c > 1 or before is not None:
            lost_g_per_l = reference - median(content[-3:].tolist())
            unexplained_bar = min(lost_bar, lost_g_per_l / record.capacity_g_per_l_bar)
        return lost_bar, unexplained_bar, (recent if quick else longer).rate_g_per_l_day

    def _below_its_level(self, record: Record) -> tuple[float, float, float] | None:
        """Return the same for a slow loss below where a smooth valve had come to rest."""
        below = self._below.loss(record)
        return None if below is None else (below[0], below[0], below[1].rate_g_per_l_day)

    def _is_leak(self, record: Record, lost_bar: float, recent: Production, longer: Production) -> bool:
        """Tell whether a loss is too fast, too great or too deep for a valve whose flow fades."""
        s, bar = self.settings, median(record.since(record.now_s - 1201)[:, BAR].tolist())
        if lost_bar >= s.quick_loss_bar and recent.high < s.quick_g_per_l_day:
            return True
        fades_until_s = self._lift.fades_until_s(record)
        faded = math.isfinite(fades_until_s) and record.now_s > fades_until_s
        slow_bar = s.faded_loss_bar if faded else s.slow_loss_bar
        if longer.hours > 4 and lost_bar >= slow_bar and longer.high < s.slow_g_per_l_day:
            return True
        if longer.hours > 4 and lost_bar >= s.great_loss_bar and longer.high < 0:
            return True
        troughs = [drop.trough_bar for drop in record.valve.usual_drops[-6:]]
        deep = (
            record.valve.teeth.count >= LEAST_COUNT
            and bool(troughs)
            and bar < min(troughs) - s.below_trough_bar
        )
        deep = deep and lost_bar >= s.below_trough_bar
        return deep and longer.hours > 3 and longer.high < s.below_trough_g_per_l_day

    def _raise(
        self, time_s: float, record: Record, lost_bar: float, unexplained_bar: float, rate: float
    ) -> Finding:
        cooled = lost_bar - unexplained_bar >= TOLD_BAR
        blind = math.isnan(record.thermometer.beer_c)
        what = "and neither temperature nor the valve explains it"
        if blind:
            what = "and no thermometer says whether the beer has cooled. If the fridge was not set colder, gas is lost"
        if cooled:
            what = (
                f"{unexplained_bar:.2f} bar of it more than cooling and what the cold beer takes up explain"
            )
        chill = "" if record.chill_s is not None or cooled or blind else "no chill, "
        return self.finding(
            time_s, Condition.LEAK, State.RAISED, Priority.HIGH,
            f"Pressure has fallen by {lost_bar:.2f} bar to {record.bar:.2f} bar, {what}. Brush soapy water on lid, "
            "posts, valve and gas line; if the valve hisses below its setting, turn it in a little. CO2 collects in closed rooms: air the room.",
            value=lost_bar, unit="bar", rate_g_per_l_day=rate,
            evidence=(f"CO2 content falls by {-rate:.1f} g/L a day", f"no vent, {chill}no move of the valve"),
        )  # fmt: skip


def _let_off_s(record: Record) -> float:
    """Return when the valve or a hand last let gas off, and the head space has settled since, s."""
    drops = record.valve.teeth.drops
    return max(record.valve.shut_s, drops[-1].time_s + 1200 if drops else -math.inf)


def _left_the_level_s(record: Record, since_s: float) -> float:
    """Return from when on a fall counts, s: in beer that has cooled, not before a smooth valve let off what it held while warm."""
    valve = record.valve
    if valve.sealed or valve.word_shut_s is not None or valve.held.bar is None or valve.cycles:
        return since_s
    rows = record.since(since_s)
    if not (rows[:, BEER] > record.beer_c + RECOOLED_K).any():
        return since_s
    at_work = rows[rows[:, BAR] > valve.held.bar - AT_WORK_BAR]
    return float(at_work[-1, TIME]) if len(at_work) else since_s


def _passes_gas(record: Record) -> bool:
    """Tell whether pressure is still where the valve lets gas off: coming down to that is its own work, after a test above all."""
    valve = record.valve
    if valve.sealed or valve.word_shut_s is not None or valve.held.bar is None:
        return False
    above_setting = valve.set_bar is not None and record.last(BAR) > valve.set_bar + ABOVE_SETTING_BAR
    level_bar = valve.held.bar
    if valve.held.first_bar is not None and not valve.cycles:
        level_bar = min(level_bar, max(valve.held.first_bar, level_bar - OVER_LIFT_BAR))
    return above_setting or record.last(BAR) > level_bar - AT_WORK_BAR


def _before_the_chill_g_per_l(record: Record) -> float | None:
    """Return the CO2 content when a beer that is being chilled, or colder than yeast is meant to be, was last warm; else None.

    For days after a chill, content computed for equilibrium is more than what is there, and falls as the beer takes up gas: how
    much it falls says nothing. Without a leak it ends at what was there before.
    """
    low_c = record.coldest_meant_c(record.now_s)
    warm_enough = record.chill_s is None and record.beer_c >= (UNTOLD_C if low_c is None else low_c)
    if warm_enough or record.cooled_k(CHILLED_S) <= CHILLED_K:
        return None
    rows = record.since(record.now_s - CHILLED_S)
    warm = rows[rows[:, BEER] >= np.nanmax(rows[:, BEER]) - STILL_WARM_K]
    return median(record.co2_g_per_l(warm[-6:]).tolist())
