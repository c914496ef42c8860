"""Pressure on its way to the rated limit: when it will get there, told while there is time to act.

The slope is a robust line through the last twenty minutes, or through up to an hour where a slow sensor has said little
in twenty. A vessel whose valve has yet to open is left in peace until
the pressure is clearly above where it should have opened: that is the stuck valve. For one that is set to the plate or
above it nobody waits. Behind a stuck valve a climb too slow for that line counts over three hours, and from further off.
"""

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from ullage.detectors.detector import Detector, Step
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.journal import Word, understand
from ullage.detectors.minutes import Minutes
from ullage.detectors.plate import set_caution
from ullage.detectors.samples import FloatArray
from ullage.detectors.slopes import robust_line
from ullage.detectors.slow_climb import OVER_MIN, SlowClimb
from ullage.detectors.vessel import Vessel

WINDOW_S = 1200.0
LONGEST_S, ENOUGH = 3600.0, 10
"""Where the window holds fewer readings, a longer one is looked at as well: back to so many, or for so long."""
SURE = 4.5
"""Standard errors above zero of a slope that counts: minutes are medians of three, so neighbours are alike and the error
of a fit that takes them for independent is too small; and a look a minute leaves luck many chances."""
FEW = 6.0
"""The scatter of a few points is itself hardly known: so much is added, divided by the degrees of freedom (as Student's t asks for)."""
LEAST_CHANGE_BAR, MOST_STEP_BAR = 1e-5, 0.02
"""Smaller changes are rounding; no converter is coarser than the latter (10 bit of 16 bar), a quick rise may be."""
KEPT = 64
"""Minutes kept: an hour."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RisingSettings:
    """How early to warn."""

    horizon_h: float = 2.0
    stuck_horizon_h: float = 6.0
    """The same behind a valve that should have opened, where the climb has lasted for hours."""
    from_share: float = 0.6
    """Of the rated pressure; below it there is no hurry."""
    valve_margin_bar: float = 0.3
    """A valve may open this far above its setting: 0.15 bar of spread and as much again at full flow."""


class PressureRising(Detector):
    """Raises when a straight line reaches the rated limit within the horizon."""

    name = "pressure_rising"
    Settings = RisingSettings

    def __init__(self, vessel: Vessel, settings: RisingSettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self._points: deque[tuple[float, float]] = deque(maxlen=KEPT)
        self._before_bar = math.nan
        self._step_bar = math.inf
        """Least change from one value to the next: of a coarse converter its step."""
        self._valve_bar = self._set_bar = vessel.valve_pressure_bar
        self._slow = SlowClimb()
        self._hits = 0
        self._calm_since_s: float | None = None
        self._raised = False

    def look(self, step: Step) -> list[Finding]:
        """Take entries and closed minutes."""
        for entry in step.entries:
            known = understand(entry.text)
            if known is None:
                continue
            if known.word is Word.VALVE_SHUT:
                self._valve_bar = None
            elif known.word is Word.VALVE_OPENED:
                self._valve_bar = self._set_bar
                self._points.clear()  # what rose before it was opened says nothing of how it goes on
                self._slow.forget()
            elif known.word is Word.VALVE_SET and known.number is not None:
                self._valve_bar = self._set_bar = known.number
                self._points.clear()
                self._slow.forget()
        minutes = step.minutes
        floor = self.settings.from_share * self.vessel.rated_pressure_bar
        if not self._raised and not self._hits and not (minutes.pressure_bar >= floor).any():
            tail = [
                (t, p)
                for t, p in zip(minutes.end_s[-KEPT:], minutes.pressure_bar[-KEPT:], strict=True)
                if not math.isnan(p)
            ]
            self._points.extend((float(t), float(p)) for t, p in tail)
            self._learn_steps(minutes.pressure_bar)
            self._take_slowly(minutes)
            return []
        found: list[Finding] = []
        for end_s, bar in zip(minutes.end_s.tolist(), minutes.pressure_bar.tolist(), strict=True):
            if not math.isnan(bar):
                self._learn_step(bar)  # one by one: nothing is judged by what came after it
                self._points.append((end_s, bar))
                self._slow.take(end_s, bar)
                found += self._judge(end_s, bar)
        return found

    def _take_slowly(self, minutes: Minutes) -> None:
        """Take of a block that is nowhere near the limit what the line through hours will ask for."""
        if len(minutes):
            late = minutes.end_s >= self._slow.wanted_from_s(float(minutes.end_s[-1]))
            for end_s, bar in zip(
                minutes.end_s[late].tolist(), minutes.pressure_bar[late].tolist(), strict=True
            ):
                if not math.isnan(bar):
                    self._slow.take(end_s, bar)

    def _learn_step(self, bar: float) -> None:
        """Follow the least change."""
        change = abs(bar - self._before_bar)
        if LEAST_CHANGE_BAR < change < self._step_bar:
            self._step_bar = change
        self._before_bar = bar

    def _learn_steps(self, bar: FloatArray) -> None:
        """Follow it over a block."""
        bar = bar[~np.isnan(bar)]
        change = np.abs(np.diff(bar, prepend=self._before_bar))
        self._step_bar = float(change[change > LEAST_CHANGE_BAR].min(initial=self._step_bar))
        if len(bar):
            self._before_bar = float(bar[-1])

    def _hours_left(self, now_s: float, bar: float) -> tuple[float, float] | None:
        """Return hours until the rated limit and the minutes of the line that says so, None if it isn't rising for sure."""
        points = [(t, p) for t, p in self._points if t > now_s - WINDOW_S]
        hours = self._by_line(points, bar) if len(points) >= 4 else None
        if hours is None and len(points) < ENOUGH:
            points = [(t, p) for t, p in self._points if t >= now_s - LONGEST_S][-ENOUGH:]
            hours = self._by_line(points, bar) if len(points) >= 4 else None
        return None if hours is None else (hours, (points[-1][0] - points[0][0]) / 60)

    def _by_line(self, points: list[tuple[float, float]], bar: float) -> float | None:
        """Return hours until the rated limit by a line through these points, None if it isn't rising for sure."""
        if points[-1][0] - points[0][0] < WINDOW_S / 3:
            return None
        room = self.vessel.rated_pressure_bar - bar
        rough = (points[-1][1] - points[0][1]) / (points[-1][0] - points[0][0])
        if rough <= 0 or room / rough > 2 * self.settings.horizon_h * 3600:
            return None
        time_s = np.array([t for t, _ in points])
        value = np.array([p for _, p in points])
        line = robust_line(time_s, value, 0.001)
        # a converter's stairs may fit a line better than what they stand for: rounding has an sd of a step / √12
        rounding_bar = min(self._step_bar, MOST_STEP_BAR) / math.sqrt(12)
        rounding_se_per_s = rounding_bar / (float(time_s.std()) * math.sqrt(len(points)))
        few = 1 + FEW / (len(points) - 2)
        if line.slope_per_s <= SURE * few * max(line.slope_se_per_s, rounding_se_per_s):
            return None
        return max(room, 0.0) / line.slope_per_s / 3600

    def _opens_by_bar(self) -> float:
        """Return the pressure by which a valve in order has opened; none is awaited above the vessel's plate."""
        rated_bar = self.vessel.rated_pressure_bar
        if self._valve_bar is None or self._valve_bar >= rated_bar:
            return -math.inf
        # set close to the plate, a third of what is left is kept: there has to be time to act
        near_bar = rated_bar - (rated_bar - self._valve_bar) / 3
        return min(self._valve_bar + self.settings.valve_margin_bar, near_bar)

    def _judge(self, now_s: float, bar: float) -> list[Finding]:
        awaited = bar < self._opens_by_bar()
        near = bar >= self.settings.from_share * self.vessel.rated_pressure_bar and not awaited
        left = self._hours_left(now_s, bar) if near or self._raised else None
        rising = near and left is not None and left[0] <= self.settings.horizon_h
        if near and not rising:
            slowly = self._slowly_left(bar)
            rising, left = (True, slowly) if slowly is not None else (False, left)
        self._hits = self._hits + 1 if rising else 0
        if not self._raised:
            if self._hits < 3 or left is None or bar >= self.vessel.rated_pressure_bar:
                return []
            self._raised = True
            self._calm_since_s = None
            return [self._raise(now_s, bar, *left)]
        if rising or bar >= self.vessel.rated_pressure_bar:
            self._calm_since_s = None
            return []
        if self._calm_since_s is None:
            self._calm_since_s = now_s
        if now_s - self._calm_since_s < 1800:
            return []
        self._raised = False
        return [
            self.finding(
                now_s, Condition.PRESSURE_RISING, State.CLEARED, Priority.HIGH,
                f"Pressure no longer rises towards the limit: {bar:.2f} bar.", value=bar,
                limit=self.vessel.rated_pressure_bar, unit="bar",
            )
        ]  # fmt: skip

    def _slowly_left(self, bar: float) -> tuple[float, float] | None:
        """Return hours until the rated limit behind a stuck valve, and the minutes of the line; None if it is further off."""
        if self._opens_by_bar() == -math.inf:
            return None
        slope_bar_per_h = self._slow.slope_bar_per_h
        if math.isnan(slope_bar_per_h):
            return None
        hours = (self.vessel.rated_pressure_bar - bar) / slope_bar_per_h
        return (max(hours, 0.0), OVER_MIN) if hours <= self.settings.stuck_horizon_h else None

    def _raise(self, now_s: float, bar: float, hours: float, minutes: float) -> Finding:
        limit = self.vessel.rated_pressure_bar
        when = f"{hours * 60:.0f} min" if hours < 1.5 else f"{hours:.1f} h"
        if self._valve_bar is None and self.vessel.valve_pressure_bar is None:
            first = "Let gas off."
        elif self._valve_bar is None:
            first = "Open the valve to end the test, or turn it out."
        else:
            first = set_caution(self.vessel, self._valve_bar) or (
                f"The valve should have opened at {self._valve_bar:.2f} bar and has not: free it or turn it out."
            )
        return self.finding(
            now_s, Condition.PRESSURE_RISING, State.RAISED, Priority.HIGH,
            f"Pressure is {bar:.2f} bar and will reach the rated {limit:.2f} bar in about {when}. {first} Vent slowly "
            "if you must, with the room aired (CO2); the relief valve is the protection, not this message.",
            value=bar, limit=limit, unit="bar", evidence=(f"robust slope of the last {minutes:.0f} min: limit in {when}",),
        )  # fmt: skip
