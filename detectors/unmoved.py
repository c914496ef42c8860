"""A pressure reading that has not moved at all since before the valve was shut: the test of a dead sensor always passes.

Even at the end of a fermentation a shut vessel climbs by a few mbar an hour, and the swing of the fridge moves it by as
much. A coarse, quiet converter may rest for hours and never be told frozen by what it did before (`frozen.py`); but in a
vessel that the brewer has shut to see what pressure does, a reading that does nothing at all answers no question, and
`ending_doubts.py` does not take it for an answer. So the brewer is asked to move it.
"""

from dataclasses import dataclass

from ullage.detectors.detector import Detector
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.frames import Frame
from ullage.detectors.proof import Proof
from ullage.detectors.record import Record
from ullage.detectors.vessel import Vessel

SUBJECT = "pressure since the valve was shut"


@dataclass(frozen=True, slots=True, kw_only=True)
class UnmovedSettings:
    """How long a shut vessel's reading may stand still: as long as a shut-valve test is asked for."""

    rest_h: float = 6.0


class Unmoved(Detector):
    """Raises when nothing has moved the pressure since before the journal's `valve shut`."""

    name = "unmoved"
    Settings = UnmovedSettings

    def __init__(self, vessel: Vessel, settings: UnmovedSettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self._raised = False

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Take one frame."""
        shut_s = record.valve.word_shut_s
        still = record.valve.proof is Proof.WORD and shut_s is not None and record.moved_s <= shut_s
        if self._raised and not still:
            self._raised = False
            text = "The pressure reading moves again, or the valve is open."
            return [self._told(frame.end_s, State.CLEARED, text)]
        hours = (frame.end_s - shut_s) / 3600 if shut_s is not None else 0.0
        # a finished batch has been answered, and what the sensor is known to be dead for is told already
        if (
            self._raised
            or not still
            or hours < self.settings.rest_h
            or record.frozen
            or record.finished_s is not None
        ):
            return []
        self._raised = True
        return [
            self._told(
                frame.end_s, State.RAISED,
                f"The pressure reading has not moved at all in the {hours:.0f} h since the valve was shut: so still is no "
                "vessel, and the sensor may be dead or its port blocked. Vent a little, with the room aired (CO2). If the reading follows, enter "
                "`vented` and wait on; if it does not, open the valve to its setting and see to the sensor: nobody watches "
                "the pressure. Nothing is called over by a reading that does not move.",
                value=record.bar, unit="bar",
                evidence=(f"the same reading for {(frame.end_s - record.moved_s) / 3600:.0f} h",),
            )
        ]  # fmt: skip

    def _told(self, time_s: float, state: State, text: str, **numbers: object) -> Finding:
        return self.finding(
            time_s, Condition.SENSOR_FROZEN, state, Priority.HIGH, text, subject=SUBJECT, **numbers
        )
