"""Over-pressure: two consecutive readings above the vessel's rated limit, no other delay, nothing can hold it back.

One reading may be a spike on the wire; two in a row are taken at their word. Values that the plausibility gate refuses
count here all the same: a transmitter at the end of its scale may be telling the truth as well as it can. Temperature
plays no part, so that a missing probe can't silence it.
"""

from dataclasses import dataclass

import numpy as np

from ullage.detectors.detector import Detector, Step
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.samples import Kind
from ullage.detectors.vessel import Vessel


@dataclass(frozen=True, slots=True, kw_only=True)
class OverPressureSettings:
    """The dead-band alone can be set: the limit is the vessel's, the delay is two readings."""

    dead_band_bar: float = 0.06
    """How far below the limit it must fall to be over: 2 % of a 3 bar range."""


class OverPressure(Detector):
    """Raises on the second consecutive reading above the rated pressure."""

    name = "over_pressure"
    Settings = OverPressureSettings

    def __init__(self, vessel: Vessel, settings: OverPressureSettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self._above = 0
        self._below = 0
        self._raised = False
        self._last_s = -np.inf

    def look(self, step: Step) -> list[Finding]:
        """Take every pressure reading as it came."""
        mine = np.flatnonzero(step.raw.kind == Kind.PRESSURE)
        if not len(mine):
            return []
        limit = self.vessel.rated_pressure_bar
        time_s, value = step.raw.time_s[mine], step.raw.value[mine]
        if not self._raised and not self._above and not (value > limit).any():
            self._last_s = max(self._last_s, float(time_s.max()))
            return []
        believed = step.plausible[mine]
        found: list[Finding] = []
        for at_s, bar, fine in zip(time_s.tolist(), value.tolist(), believed.tolist(), strict=True):
            if at_s <= self._last_s:
                continue  # the same reading delivered twice is one reading
            self._last_s = at_s
            if not fine and bar <= limit:
                continue  # a broken sensor's number brings nothing back within its limit
            self._above = self._above + 1 if bar > limit else 0
            self._below = self._below + 1 if bar < limit - self.settings.dead_band_bar else 0
            if not self._raised and self._above >= 2:
                self._raised = True
                found.append(self._raise(at_s, bar))
            elif self._raised and self._below >= 2:
                self._raised = False
                found.append(self._clear(at_s, bar))
        return found

    def _raise(self, time_s: float, bar: float) -> Finding:
        limit = self.vessel.rated_pressure_bar
        return self.finding(
            time_s, Condition.OVER_PRESSURE, State.RAISED, Priority.CRITICAL,
            f"Pressure {bar:.2f} bar is above the vessel's rated {limit:.2f} bar, two readings in a row. Do not stand "
            "over the vessel. Cool it or stop the heat; vent it slowly only if you can do so safely, with the room "
            "aired (CO2). The relief valve is what protects: if it is not blowing, keep people away.",
            value=bar, limit=limit, unit="bar", evidence=("two consecutive readings above the rated pressure",),
        )  # fmt: skip

    def _clear(self, time_s: float, bar: float) -> Finding:
        limit = self.vessel.rated_pressure_bar
        return self.finding(
            time_s, Condition.OVER_PRESSURE, State.CLEARED, Priority.CRITICAL,
            f"Pressure is back at {bar:.2f} bar, below the rated {limit:.2f} bar. Find out why the valve let it rise "
            "before you leave it alone.",
            value=bar, limit=limit, unit="bar",
        )  # fmt: skip
