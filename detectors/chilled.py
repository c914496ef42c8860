"""Cold: the beer, not the air, has stayed at its cellar temperature long enough.

About twelve hours within a kelvin of the target is common practice before clarifying; the beer's temperature is taken,
or for a probe in air its value smoothed with the beer's own lag.
"""

import math
from dataclasses import dataclass

from ullage.detectors.detector import Detector
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.frames import Frame
from ullage.detectors.old_gauge import old_gauge
from ullage.detectors.record import Record
from ullage.detectors.vessel import Vessel

LONGEST_GAP_S = 2 * 3600.0
"""Nobody knows how warm the beer was while nothing was heard for longer than this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChilledSettings:
    """What counts as cold, for how long."""

    cold_c: float = 5.0
    """Limit if neither journal nor plan names a target."""
    within_c: float = 1.0
    hours: float = 12.0


class Chilled(Detector):
    """Notes that the beer is cold, once."""

    name = "chilled"
    Settings = ChilledSettings

    def __init__(self, vessel: Vessel, settings: ChilledSettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self._since_s: float | None = None
        self._seen_s = -math.inf
        self._told = False

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Count the hours that the beer has been cold."""
        celsius = record.thermometer.beer_c
        unseen = math.isnan(frame.temperature_c)  # a probe that has died in the cold is no proof of cold
        if self._told or unseen or math.isnan(celsius) or not record.under_way:
            return []
        target = record.chill_target_c
        limit = self.settings.cold_c if target is None else target + self.settings.within_c
        if celsius > limit:
            self._since_s = None
            return []
        if self._since_s is None or frame.end_s - self._seen_s > LONGEST_GAP_S:
            self._since_s = frame.end_s
        self._seen_s = frame.end_s
        hours = (frame.end_s - self._since_s) / 3600
        if hours < self.settings.hours:
            return []
        self._told = True
        return [
            self.finding(
                frame.end_s, Condition.CHILLED, State.NOTED, Priority.LOW,
                f"The beer has been at {limit:g} °C or less for {hours:.0f} h, now at {celsius:.1f} °C: cold through."
                + ("" if math.isnan(record.bar) else f" Pressure {record.bar:.2f} bar.{old_gauge(frame.end_s, record)}"),
                value=celsius, limit=limit, unit="°C", evidence=("beer temperature, not the fridge's",),
            )
        ]  # fmt: skip
