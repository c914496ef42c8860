"""What the detectors had before them, frame by frame: the observer that a report runs beside them."""

import bisect
import math
from dataclasses import dataclass

from ullage.detectors.detector import Detector
from ullage.detectors.finding import Finding
from ullage.detectors.frames import Frame
from ullage.detectors.production import Production
from ullage.detectors.record import Record
from ullage.detectors.stage import StageChange
from ullage.detectors.vessel import Vessel


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """The state of the evidence after one ten-minute frame."""

    time_s: float
    pressure_bar: float
    shut_since_s: float | None
    """Start of the stretch in which gas can't leave; None while it can."""
    proof: str
    """Why the vessel counts as shut; empty while it does not."""
    production: Production | None
    capacity_g_per_l_bar: float
    held_bar: float | None


class Trace(Detector):
    """Says nothing; keeps a look for every frame that held a pressure, and the rates and stages at the end."""

    name = "trace"

    def __init__(self, vessel: Vessel) -> None:
        super().__init__(vessel)
        self.looks: list[Look] = []
        self.rates: dict[float, tuple[float, float]] = {}
        """Middle of the window to rate and standard error, g/L a day."""
        self.stages: tuple[StageChange, ...] = ()

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Keep what the record shows now."""
        self.stages = record.stages
        if math.isnan(frame.pressure_bar):
            return []
        valve = record.valve
        shut_s = None
        if valve.shut:
            shut_s = valve.shut_s if math.isfinite(valve.shut_s) else record.began_s
        production = record.production
        newest = next(iter(record.rates.before(math.inf)), None)
        if newest is not None:
            self.rates[newest.time_s] = (newest.rate * newest.share, newest.se * newest.share)
        self.looks.append(
            Look(
                time_s=frame.end_s,
                pressure_bar=record.bar,
                shut_since_s=shut_s,
                proof=valve.proof.value if valve.proof is not None else "",
                production=production,
                capacity_g_per_l_bar=record.capacity_g_per_l_bar,
                held_bar=valve.held.bar,
            )
        )
        return []

    def at(self, time_s: float) -> Look | None:
        """Return the last look at or before a moment."""
        place = bisect.bisect_right(self.looks, time_s, key=lambda look: look.time_s)
        return self.looks[place - 1] if place else None
