"""The valve holds: at what pressure, and which way to turn it if that is not the one wanted.

What counts is where it holds without flow: strong flow lifts a small valve's level (`over_lift.py`). Turned out for that, it
would hold too little in the end. So a level that is too high by no more than the flow explains is left alone until the flow
has faded, and told again then; one that is too low is so whatever flows.
"""

import math
from dataclasses import dataclass

from ullage.detectors.detector import Detector
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.frames import Frame
from ullage.detectors.over_lift import MOST_LIFT_BAR, OverLift
from ullage.detectors.plate import held_caution, set_caution
from ullage.detectors.record import BAR, Record
from ullage.detectors.usual_time import Progress, pace_per_h
from ullage.detectors.vessel import Vessel

AWAY_BAR = 0.03
"""A pressure so far below the level, and below where a cycling valve reseats, is not held by the valve."""
LEAST_TURN_BAR = 0.05
"""Nobody turns such a valve by less."""
FADED_BY = 0.6
"""Share of the usual time by which the flow has faded in most worts: they differ by a factor of two."""


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
        self._excused = False
        """Whether the flow was last said to lift the level: it is looked at again without."""
        self._lift = OverLift()
        self._time = Progress()

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Look at the level that the valve model has learned."""
        if record.activity_s is not None and not math.isnan(frame.pressure_bar):
            self._lift.take(record)
            self._time.take(frame.end_s, record.beer_c)
        level, target = record.valve.held.bar, record.valve.set_bar
        if level is None or target is None or record.activity_s is None or record.finished_s is not None:
            return []
        rest_bar = self._lift.rest_bar(record) if self._excused and record.chill_s is None else None
        if rest_bar is not None:
            level, self._excused = rest_bar, rest_bar - target > self.settings.off_target_bar
        lifted = 0 < level - target <= MOST_LIFT_BAR + LEAST_TURN_BAR
        lifted = lifted and frame.end_s < self._lift.fades_until_s(record)
        if self._told is not None:
            told_s, told_bar = self._told
            moved = frame.end_s - told_s >= self.settings.again_h * 3600 and abs(level - told_bar) >= 0.1
            if self._excused and target - self.settings.off_target_bar <= level < told_bar:
                moved = False  # it comes down as it was said to
            stays = self._excused and rest_bar is not None
            if not (moved or stays) or self._elsewhere(record, level):
                return []
        text = self._said(level, target, record, lifted=lifted)
        self._told = (frame.end_s, level)
        self._excused = lifted and level - target > self.settings.off_target_bar
        return [
            self.finding(
                frame.end_s, Condition.HELD, State.NOTED, Priority.LOW, text, value=level, limit=target, unit="bar",
                evidence=("pressure has stood still there for three hours or more",),
            )
        ]  # fmt: skip

    def _said(self, level: float, target: float, record: Record, *, lifted: bool) -> str:
        off = level - target
        text = f"The valve{' still' if self._excused and not lifted else ''} holds {level:.2f} bar"
        text += ", letting gas off in steps. " if record.valve.cycles else ". "
        caution = held_caution(self.vessel, level) or set_caution(self.vessel, target)
        if caution:
            return text + caution
        if abs(off) <= self.settings.off_target_bar:
            return text + "From now on a flat pressure says nothing about the end."
        which = "above" if off > 0 else "below"
        if self._wants_carbonation:
            # what the carbonation wanted asks for is said next: one number to turn to
            text += f"That is {abs(off):.2f} bar {which} the {target:.2f} bar that it is set to"
            return text + (", as strong flow alone may lift it." if lifted else ".")
        text += f"That is {abs(off):.2f} bar {which} the {target:.2f} bar wanted"
        if lifted:
            return (
                f"{text}, as strong flow alone may lift it: leave it. What counts is where it holds once the flow has faded; "
                f"you are told if that is too high, in about {self._faded_in(record)}."
            )
        return f"{text}: turn it {'out' if off > 0 else 'in'} a little and look again in 3 h."

    def _faded_in(self, record: Record) -> str:
        """Return a guess of when the flow will have faded, in words."""
        by_height_h = (self._lift.fades_until_s(record) - record.now_s) / 3600
        usual_h = (FADED_BY - self._time.share) / pace_per_h(record.beer_c)
        days = max(1, round(max(by_height_h, usual_h) / 24))
        return "a day" if days == 1 else f"{days} days"

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
