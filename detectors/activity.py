"""The beginning: the first gas that temperature can't explain, and the alarm when none comes.

An open or cold wort shows nothing; a shut one that merely warms shows the gas law and, if it holds gas already,
solubility. Activity is a rise beyond both.
"""

import math
from dataclasses import dataclass

from ullage.detectors.co2 import KELVIN
from ullage.detectors.detector import Detector
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.frames import Frame
from ullage.detectors.record import Record
from ullage.detectors.vessel import Vessel

UNDER_WAY_BAR = 0.25
"""A record that begins above this pressure begins in the middle of a fermentation."""
SOLUBILITY_BAR_PER_K = 0.065
"""Largest effect of warming on a shut vessel that holds gas already (60 to 64 mbar/K near 1 bar gauge)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ActivitySettings:
    """When the wait for the first gas becomes an alarm."""

    expected_within_h: float = 36.0
    """Lag is 3 to 15 h for an ale, 6 to 24 h as a usual allowance, longer for a cold lager (common practice)."""
    rise_bar: float = 0.02


class Activity(Detector):
    """Notes the first production; raises `no-activity` when there is none in time."""

    name = "activity"
    Settings = ActivitySettings

    def __init__(self, vessel: Vessel, settings: ActivitySettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self._base: tuple[float, float] | None = None
        self._hits = 0
        self._raised = False

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Look for gas until there is some, then for none."""
        if record.activity_s is not None or math.isnan(frame.pressure_bar):
            return []
        bar, celsius = frame.pressure_bar, record.beer_c
        if self._base is None:
            self._base = (bar, celsius)
            if bar > UNDER_WAY_BAR:
                record.activity_s = frame.end_s
            return []
        base_bar, base_c = self._base
        warmer = max(celsius - base_c, 0.0)
        air = self.vessel.air_pressure_bar
        by_warmth = (base_bar + air) * warmer / (base_c + KELVIN)
        if base_bar > 0.1:
            by_warmth += SOLUBILITY_BAR_PER_K * warmer
        rise = bar - base_bar - by_warmth
        if bar < base_bar:
            self._base = (bar, celsius)
        least = max(self.settings.rise_bar, 5 * record.valve.frame_noise_bar)
        self._hits = self._hits + 1 if rise > least else 0
        if self._hits >= 2:
            return self._begun(frame.end_s, rise, record)
        return self._waiting(frame.end_s, record)

    def _begun(self, time_s: float, rise: float, record: Record) -> list[Finding]:
        record.activity_s = time_s
        hours = (time_s - (record.pitched_s or record.first_s or time_s)) / 3600
        found = [
            self.finding(
                time_s, Condition.ACTIVITY, State.NOTED, Priority.LOW,
                f"Fermentation has begun: pressure is up {rise * 1000:.0f} mbar beyond what warming explains, "
                f"{hours:.0f} h after {'pitching' if record.pitched_s else 'the first reading'}.",
                value=rise, unit="bar", evidence=("a rise of pressure beyond gas law and solubility",),
            )
        ]  # fmt: skip
        if self._raised:
            self._raised = False
            found.append(
                self.finding(
                    time_s,
                    Condition.NO_ACTIVITY,
                    State.CLEARED,
                    Priority.MEDIUM,
                    "Fermentation has begun after all.",
                )
            )
        return found

    def _waiting(self, time_s: float, record: Record) -> list[Finding]:
        since_s = record.pitched_s or record.first_s or time_s
        hours = (time_s - since_s) / 3600
        if self._raised or hours < self.settings.expected_within_h:
            return []
        self._raised = True
        return [
            self.finding(
                time_s, Condition.NO_ACTIVITY, State.RAISED, Priority.MEDIUM,
                f"No gas {hours:.0f} h after {'pitching' if record.pitched_s else 'the first reading'}; the beer is at "
                f"{record.beer_c:.1f} °C. Check that the vessel is shut and tight and the temperature right; take a "
                "gravity sample; pitch again if it has not moved.",
                value=hours, limit=self.settings.expected_within_h, unit="h",
            )
        ]  # fmt: skip
