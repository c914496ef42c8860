"""What every detector is: it looks at steps of the stream, or at ten-minute frames, and returns findings.

A detector is pure: no clock, no I/O, nothing global. Its state is bounded and can be pickled at any moment, and how
the stream was cut into steps changes nothing. That is why detectors that use one another's conclusions (through
`Record`) work on frames: frames come one by one in time order, however large the step.
"""

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.frames import Frame
from ullage.detectors.minutes import Minutes
from ullage.detectors.record import Record
from ullage.detectors.samples import Entry, Samples
from ullage.detectors.vessel import Vessel


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One call's worth of the stream."""

    raw: Samples
    """As it came, implausible values included."""
    plausible: NDArray[np.bool_]
    minutes: Minutes
    """The minutes that closed."""
    entries: tuple[Entry, ...]
    now_s: float
    """Latest time known: of a sample, an entry or a tick."""


class Detector:
    """Base of all detectors: override `look`, `frame` or both, and name the settings type."""

    name: ClassVar[str]
    Settings: ClassVar[type[Any]]

    def __init__(self, vessel: Vessel) -> None:
        self.vessel = vessel

    def look(self, step: Step) -> list[Finding]:
        """Take one step of the stream."""
        return []

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Take one ten-minute frame, after `record` has taken it."""
        return []

    def entry(self, entry: Entry, record: Record) -> list[Finding]:
        """Take one journal entry, after `record` has taken it."""
        return []

    def finding(
        self,
        time_s: float,
        condition: Condition,
        state: State,
        priority: Priority,
        text: str,
        **numbers: Any,
    ) -> Finding:
        """Return a finding of this vessel."""
        return Finding(
            time_s=time_s,
            vessel=self.vessel.name,
            condition=condition,
            state=state,
            priority=priority,
            text=text,
            **numbers,
        )
