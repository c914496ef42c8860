"""Too little pressure: now, or soon because the beer is being chilled and takes up its gas.

A shut vessel chilled from 18 to 2 °C from 0.5 bar ends below the air's pressure: air or sanitiser is drawn in, a thin
tank may fold. The end of the chill is foreseen from the CO2 that is in the vessel now (mass balance, co2.py).
"""

import math
from dataclasses import dataclass

from ullage.detectors.co2 import shut_pressure_after_bar
from ullage.detectors.detector import Detector
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.frames import Frame
from ullage.detectors.latch import Change, Latch
from ullage.detectors.record import BAR, BEER, TIME, Record
from ullage.detectors.vessel import Vessel

CLEARED_BAR = 0.06
"""So far above the least the pressure must be before the alarm ends."""
TAKEN_UP_S, STANDS_BAR = 12 * 3600.0, 0.02
"""A pressure that has not fallen by so much in so long falls no further."""
GIVEN_UP_K = 3.0
"""So far above where it was to end, and no colder any more, a chill was given up."""
AFTER_THE_CHILL = "after the chill"


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureLowSettings:
    """What counts as too little."""

    least_bar: float = 0.05
    cold_c: float = 2.0
    """Where a chill ends if neither journal nor plan says."""
    patience_min: float = 20.0
    pressurised_bar: float = 0.3
    """Only a vessel that has been above this can have lost its pressure."""


class PressureLow(Detector):
    """Raises when pressure is, or after the chill will be, below a safe positive one."""

    name = "pressure_low"
    Settings = PressureLowSettings

    def __init__(self, vessel: Vessel, settings: PressureLowSettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self._pressurised = False
        self._now = Latch(settings.patience_min * 60, 3600)
        self._foreseen, self._foreseen_bar = False, math.nan

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Compare pressure now, and the one foreseen, with the least."""
        if math.isnan(frame.pressure_bar):
            return []
        bar = record.bar
        self._pressurised = self._pressurised or bar > self.settings.pressurised_bar
        if not self._pressurised:
            return []
        by_hand = frame.end_s - record.vented_s < 2 * 3600 or record.tapped_s is not None
        least = self.settings.least_bar
        found: list[Finding] = []
        change = self._now.feed(frame.end_s, bar < least and not by_hand, bar > least + CLEARED_BAR)
        if change is Change.RAISED:
            found.append(
                self._raise(frame.end_s, bar, f"Pressure is down to {bar:.2f} bar. Connect gas at low pressure before "
                            "air is drawn in; look for the leak or the open tap.", "")
            )  # fmt: skip
        elif change is Change.CLEARED:
            found.append(self._clear(frame.end_s, bar, ""))
        found += self._foresee(frame.end_s, bar, record)
        return found

    def _foresee(self, time_s: float, bar: float, record: Record) -> list[Finding]:
        target_c = self.settings.cold_c if record.chill_target_c is None else record.chill_target_c
        cold = record.beer_c <= target_c + 0.5
        end_bar = bar if cold else float(shut_pressure_after_bar(self.vessel, bar, record.beer_c, target_c))
        if self._foreseen:
            given_up = record.beer_c > target_c + GIVEN_UP_K and not self._chilling(time_s, record)
            enough = end_bar >= self.settings.least_bar + CLEARED_BAR and self._stays(time_s, bar, record)
            if not enough and not given_up:
                return []
            self._foreseen = False
            return [self._clear(time_s, bar, AFTER_THE_CHILL)]
        if cold or end_bar >= self.settings.least_bar or not self._chilling(time_s, record):
            return []
        self._foreseen, self._foreseen_bar = True, bar
        return [
            self._raise(
                time_s, end_bar, f"{_foreseen(record.chill_s is not None, target_c, bar, end_bar)} as the beer takes up its gas. "
                "Connect gas before that, at low pressure through a regulator.", AFTER_THE_CHILL, evidence=("mass balance of CO2 in beer and head space",))
        ]  # fmt: skip

    def _stays(self, time_s: float, bar: float, record: Record) -> bool:
        """Tell whether gas was connected, or the cold beer has taken up what it will: it goes on for a day behind the thermometer."""
        rows = record.since(time_s - TAKEN_UP_S)
        for_long = len(rows) > 0 and rows[-1, TIME] - rows[0, TIME] > 0.9 * TAKEN_UP_S
        return bar > self._foreseen_bar + CLEARED_BAR or (for_long and bar > rows[0, BAR] - STANDS_BAR)

    def _chilling(self, time_s: float, record: Record) -> bool:
        if record.chill_s is not None and time_s - record.chill_s < 48 * 3600:
            return True
        rows = record.since(time_s - 3 * 3600)
        if len(rows) < 12 or rows[-1, TIME] - rows[0, TIME] < 2 * 3600:
            return False
        low_c = record.coldest_meant_c(time_s)
        return bool(
            rows[0, BEER] - rows[-1, BEER] > 1.5 and rows[-1, BEER] < (10.0 if low_c is None else low_c)
        )

    def _raise(
        self, time_s: float, bar: float, text: str, subject: str, evidence: tuple[str, ...] = ()
    ) -> Finding:
        return self.finding(
            time_s, Condition.PRESSURE_LOW, State.RAISED, Priority.MEDIUM, text, subject=subject, value=bar,
            limit=self.settings.least_bar, unit="bar", evidence=evidence,
        )  # fmt: skip

    def _clear(self, time_s: float, bar: float, subject: str) -> Finding:
        return self.finding(
            time_s, Condition.PRESSURE_LOW, State.CLEARED, Priority.MEDIUM,
            f"Pressure is {'enough now' if subject else 'back'}: {bar:.2f} bar.", subject=subject, value=bar, limit=self.settings.least_bar,
            unit="bar",
        )  # fmt: skip


def _foreseen(entered: bool, target_c: float, bar: float, end_bar: float) -> str:
    """Return what is foreseen; beer that cools without a word of a chill may only have lost its heat."""
    if entered:
        return (
            f"The chill to {target_c:.0f} °C will take the pressure from {bar:.2f} to about {end_bar:.2f} bar"
        )
    return (
        f"The beer cools, and no chill was entered. If this is none, check heat belt and fridge, and warm it again. "
        f"Left to cool to {target_c:.0f} °C, the pressure goes from {bar:.2f} to about {end_bar:.2f} bar"
    )
