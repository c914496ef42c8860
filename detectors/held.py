"""The valve holds: at what pressure, and which way to turn it if that is not the one wanted."""

from dataclasses import dataclass

from ullage.detectors.detector import Detector
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.frames import Frame
from ullage.detectors.plate import held_caution, set_caution
from ullage.detectors.record import BAR, Record
from ullage.detectors.vessel import Vessel

AWAY_BAR = 0.03
"""A pressure so far below the level, and below where a cycling valve reseats, is not held by the valve."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldSettings:
    """What is told of the valve's level."""

    off_target_bar: float = 0.12
    """A hobby valve's own spread is 0.1 to 0.2 bar; less than this is not worth a turn."""
    again_h: float = 12.0


class Held(Detector):
    """Notes where the valve holds, and again when that has moved."""

    name = "held"
    Settings = HeldSettings

    def __init__(self, vessel: Vessel, settings: HeldSettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self._told: tuple[float, float] | None = None

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Look at the level that the valve model has learned."""
        level, target = record.valve.held.bar, record.valve.set_bar
        if level is None or target is None or record.activity_s is None or record.finished_s is not None:
            return []
        if self._told is not None:
            told_s, told_bar = self._told
            if frame.end_s - told_s < self.settings.again_h * 3600 or abs(level - told_bar) < 0.1:
                return []
            if self._elsewhere(record, level):
                return []
        self._told = (frame.end_s, level)
        off = level - target
        text = f"The valve holds {level:.2f} bar"
        text += ", letting gas off in steps. " if record.valve.cycles else ". "
        caution = held_caution(self.vessel, level) or set_caution(self.vessel, target)
        if caution:
            text += caution
        elif abs(off) > self.settings.off_target_bar and self._wants_carbonation:
            # what the carbonation wanted asks for is said next: one number to turn to
            text += f"That is {abs(off):.2f} bar {'above' if off > 0 else 'below'} the {target:.2f} bar that it is set to."
        elif off > self.settings.off_target_bar:
            text += f"That is {off:.2f} bar above the {target:.2f} bar wanted: turn it out a little and look again in 3 h."
        elif off < -self.settings.off_target_bar:
            text += f"That is {-off:.2f} bar below the {target:.2f} bar wanted: turn it in a little and look again in 3 h."
        else:
            text += "From now on a flat pressure says nothing about the end."
        return [
            self.finding(
                frame.end_s, Condition.HELD, State.NOTED, Priority.LOW, text, value=level, limit=target, unit="bar",
                evidence=("pressure has stood still there for three hours or more",),
            )
        ]  # fmt: skip

    @staticmethod
    def _elsewhere(record: Record, level_bar: float) -> bool:
        """Tell whether pressure is not where the valve holds: a leak has taken it away, or beer too cold for its yeast."""
        limits = record.vessel.yeast_temperature_c
        drops = record.valve.usual_drops
        least_bar = min([level_bar, *(drop.trough_bar for drop in drops)]) - max(
            AWAY_BAR, 4 * record.valve.frame_noise_bar
        )
        return record.last(BAR) < least_bar or (limits is not None and record.beer_c < limits[0])

    @property
    def _wants_carbonation(self) -> bool:
        return self.vessel.batch is not None and self.vessel.batch.wanted_g_per_l is not None
