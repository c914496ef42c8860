"""Events: what happened once and is worth a message, each with a short id that stays the same if it is told twice."""

import hashlib
from dataclasses import dataclass
from enum import StrEnum

from ullage.daemon.alarm_states import Alarm, AlarmKey
from ullage.detectors.finding import Finding, Priority, State

_ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
"""32 signs without I, L, O and U, so that an id can be read out over the phone."""

TO_DO = "reminder"
"""Condition of what reminds a vessel's brewer of the next step."""

_RANK = {Priority.CRITICAL: 0, Priority.HIGH: 1, Priority.MEDIUM: 2, Priority.LOW: 3}


class EventKind(StrEnum):
    """What kind of thing is told."""

    RAISED = "raised"
    CLEARED = "cleared"
    NOTED = "noted"
    REMINDER = "reminder"


@dataclass(frozen=True, slots=True)
class EventKey:
    """What makes two events the same one. The time counts in whole milliseconds, as the database keeps it."""

    alarm: AlarmKey
    kind: EventKind
    time_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One thing that happened. Times are Unix seconds, UTC."""

    token: str
    kind: EventKind
    alarm: AlarmKey
    priority: Priority
    time_s: float
    """When it happened, by the readings."""
    made_s: float
    """When it was taken down, by the wall clock."""
    text: str
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    rate_g_per_l_day: float | None = None
    evidence: tuple[str, ...] = ()

    @property
    def key(self) -> EventKey:
        """What makes two events the same one."""
        return EventKey(self.alarm, self.kind, to_ms(self.time_s))

    @property
    def rank(self) -> int:
        """0 for critical up to 3 for low."""
        return rank(self.priority)


def rank(priority: Priority) -> int:
    """Return 0 for critical up to 3 for low."""
    return _RANK[priority]


def to_ms(time_s: float) -> int:
    """Return whole milliseconds."""
    return round(time_s * 1000)


def make_token(alarm: AlarmKey, kind: EventKind, time_s: float) -> str:
    """Return six signs that depend on the event alone, so that telling it again gives the same id."""
    parts = "\x1f".join((alarm.vessel, alarm.condition, alarm.subject, kind.value, str(to_ms(time_s))))
    number = int.from_bytes(hashlib.blake2b(parts.encode(), digest_size=8).digest(), "big")
    return "".join(_ALPHABET[number >> shift & 31] for shift in range(0, 30, 5))


def clean(text: str) -> str:
    """Return the text without what a database may refuse: NUL and lone surrogates."""
    return text.replace("\x00", "").encode("utf-8", "replace").decode("utf-8")


def from_finding(finding: Finding, now_s: float) -> Event:
    """Return the event that a finding tells of."""
    alarm = AlarmKey(finding.vessel, finding.condition.value, finding.subject)
    kind = {
        State.RAISED: EventKind.RAISED,
        State.CLEARED: EventKind.CLEARED,
        State.NOTED: EventKind.NOTED,
    }[finding.state]
    return Event(
        token=make_token(alarm, kind, finding.time_s),
        kind=kind,
        alarm=alarm,
        priority=finding.priority,
        time_s=finding.time_s,
        made_s=now_s,
        text=clean(finding.text),
        value=finding.value,
        limit=finding.limit,
        unit=finding.unit,
        rate_g_per_l_day=finding.rate_g_per_l_day,
        evidence=finding.evidence,
    )


def own_event(alarm: AlarmKey, kind: EventKind, priority: Priority, text: str, time_s: float) -> Event:
    """Return an event of the installation itself, such as trouble with its database or the daily line."""
    return Event(
        token=make_token(alarm, kind, time_s),
        kind=kind,
        alarm=alarm,
        priority=priority,
        time_s=time_s,
        made_s=time_s,
        text=clean(text),
    )


def reminder(alarm: Alarm, now_s: float) -> Event:
    """Return the event that tells a standing alarm once more; its id is the alarm's with the count behind it."""
    return Event(
        token=f"{alarm.token[:6]}-{alarm.tellings + 1}",
        kind=EventKind.REMINDER,
        alarm=alarm.key,
        priority=alarm.priority,
        time_s=now_s,
        made_s=now_s,
        text=alarm.text,
        value=alarm.value,
        limit=alarm.limit,
        unit=alarm.unit,
    )
