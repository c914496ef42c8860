"""The states of an alarm and what leads from one to the next: pure values, no clock, no database.

The four states and their transitions are those of ISA-18.2 / IEC 62682: an alarm is told apart by two questions, does
the condition hold and has somebody acknowledged it. A shelf lies over all alarms of one condition of one vessel for a
limited time; under it the states still change and are recorded, but nobody is told.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from ullage.detectors.finding import Condition, Priority

LONGEST_SHELF_H = 12.0
"""Hours after which every shelf ends by itself."""

NEVER_SHELVED = frozenset({Condition.OVER_PRESSURE.value})


class AlarmState(StrEnum):
    """Where an alarm stands."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"
    """The condition is gone but nobody has acknowledged that it was there."""

    @property
    def active(self) -> bool:
        """Whether the condition holds."""
        return self in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


class Cause(StrEnum):
    """What made an alarm change."""

    RAISED = "raised"
    CLEARED = "cleared"
    ACKNOWLEDGED = "acknowledged"
    REALARMED = "re-alarmed"
    """Acknowledged long ago and still there: it asks again."""
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SHELF_ENDED = "shelf-ended"
    STARTED = "started"
    """The program was started: a line in the log that changes no alarm."""


_NEXT: Mapping[tuple[AlarmState, Cause], AlarmState] = MappingProxyType(
    {
        (AlarmState.NORMAL, Cause.RAISED): AlarmState.UNACKNOWLEDGED,
        (AlarmState.RETURNED, Cause.RAISED): AlarmState.UNACKNOWLEDGED,
        (AlarmState.UNACKNOWLEDGED, Cause.CLEARED): AlarmState.RETURNED,
        (AlarmState.ACKNOWLEDGED, Cause.CLEARED): AlarmState.NORMAL,
        (AlarmState.UNACKNOWLEDGED, Cause.ACKNOWLEDGED): AlarmState.ACKNOWLEDGED,
        (AlarmState.RETURNED, Cause.ACKNOWLEDGED): AlarmState.NORMAL,
        (AlarmState.ACKNOWLEDGED, Cause.REALARMED): AlarmState.UNACKNOWLEDGED,
        # Whoever shelved it need not be asked about what went on under the shelf, only about what still holds.
        (AlarmState.ACKNOWLEDGED, Cause.UNSHELVED): AlarmState.UNACKNOWLEDGED,
        (AlarmState.ACKNOWLEDGED, Cause.SHELF_ENDED): AlarmState.UNACKNOWLEDGED,
    }
)


def follow(state: AlarmState, cause: Cause, *, shelved: bool) -> AlarmState:
    """Return the state that `cause` leads to; the same state where it means nothing.

    Parameters
    ----------
    state
        The state before.
    cause
        What happened.
    shelved
        Whether a shelf lies over the alarm. A condition that goes under a shelf leaves nothing to acknowledge.
    """
    if shelved and cause is Cause.CLEARED and state is AlarmState.UNACKNOWLEDGED:
        return AlarmState.NORMAL
    return _NEXT.get((state, cause), state)


@dataclass(frozen=True, slots=True)
class AlarmKey:
    """What tells alarms apart. The subject is the sensor, where one condition may hold for several."""

    vessel: str
    """Empty for the installation itself."""
    condition: str
    subject: str = ""

    @property
    def shelf(self) -> tuple[str, str]:
        """Vessel and condition: what a shelf covers."""
        return self.vessel, self.condition


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """An alarm as it stands. Times are Unix seconds, UTC."""

    key: AlarmKey
    state: AlarmState = AlarmState.NORMAL
    priority: Priority = Priority.HIGH
    text: str = ""
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    raised_s: float = 0.0
    """When the condition came to hold, by the readings."""
    changed_s: float = 0.0
    """When the state last changed."""
    told_s: float = 0.0
    """When it was last told to anybody, by the wall clock."""
    tellings: int = 0
    """How often it was told since it was raised."""
    acknowledged_s: float | None = None
    acknowledged_by: str = ""
    token: str = ""
    """The short event id of the message that told it."""
    shelved_until_s: float | None = None

    @property
    def vessel(self) -> str:
        """The vessel; empty for the installation itself."""
        return self.key.vessel

    @property
    def condition(self) -> str:
        """The condition in the words of the contract."""
        return self.key.condition

    @property
    def subject(self) -> str:
        """The sensor it is about, where one condition may hold for several."""
        return self.key.subject

    @property
    def active(self) -> bool:
        """Whether the condition holds."""
        return self.state.active


@dataclass(frozen=True, slots=True, kw_only=True)
class Transition:
    """One change of one alarm, as logged."""

    key: AlarmKey
    before: AlarmState
    after: AlarmState
    cause: Cause
    actor: str
    """Who did it: `detector`, `clock`, or a person's name as given."""
    time_s: float
    """When it happened, by the readings for what a detector says."""
    made_s: float
    """When it was recorded, by the wall clock."""
