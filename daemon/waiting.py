"""What waits in memory for one target, and what it was told lately."""

from collections import OrderedDict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from ullage.daemon.alarm_states import AlarmKey
from ullage.daemon.events import TO_DO, EventKey, EventKind
from ullage.daemon.outbox import Message
from ullage.detectors.finding import Condition, Priority

MOST = 5000
"""Messages held in memory; beyond it those with a row wait in the database."""

_TOLD = 2000
_LONGEST_HOLD_S = 600.0
_SAID_ANEW = (Condition.FINING_DUE.value, Condition.READY.value, TO_DO)
"""Notices of what is due, told anew while it is."""
_BELIEVABLE_S = 1_600_000_000.0
"""Wall times before this (September 2020) come from a clock that was not set yet and say nothing about an age."""


@dataclass(slots=True)
class _Entry:
    message: Message
    since_s: float
    ready_at_s: float
    give_up_at_s: float | None


class Waiting:
    """Messages by event. Not safe for several threads by itself; the courier holds its lock.

    Parameters
    ----------
    give_up_after_s
        Age at which a priority is given up; never for those not named. Ages are counted by monotonic time while the
        program runs, so that a wall clock that is set drops nothing.
    """

    def __init__(self, give_up_after_s: Mapping[Priority, float]) -> None:
        self.overflowed = False
        self.lost = 0
        self._give_up_after_s = give_up_after_s
        self._entries: OrderedDict[EventKey, _Entry] = OrderedDict()
        self._told: OrderedDict[EventKey, None] = OrderedDict()

    def __len__(self) -> int:
        return len(self._entries)

    @property
    def critical(self) -> bool:
        """Whether a critical message waits."""
        return any(entry.message.event.priority is Priority.CRITICAL for entry in self._entries.values())

    def promised(self, monotonic_s: float) -> bool:
        """Tell whether all critical messages here still wait for their rows."""
        ready_at_s = [
            entry.ready_at_s
            for entry in self._entries.values()
            if entry.message.event.priority is Priority.CRITICAL
        ]
        return bool(ready_at_s) and min(ready_at_s) > monotonic_s

    def critical_age_s(self, monotonic_s: float) -> float | None:
        """Return for how many seconds the oldest critical message has waited; None if none waits."""
        ages = (
            monotonic_s - entry.since_s
            for entry in self._entries.values()
            if entry.message.event.priority is Priority.CRITICAL
        )
        return max(ages, default=None)

    def add(self, message: Message, monotonic_s: float, wall_s: float, delay_s: float = 0.0) -> int | None:
        """Take a message in; return its row if that only needs marking, since the target was told already."""
        key = message.event.key
        if key in self._told:
            return message.row
        known = self._entries.get(key)
        if known is not None:
            if message.row is not None:
                known.message = replace(message, attempts=known.message.attempts)
                known.ready_at_s = min(known.ready_at_s, self._ready_at_s(message, monotonic_s, wall_s))
            else:  # it was waiting for its row and is told without it now
                known.ready_at_s = min(known.ready_at_s, monotonic_s + delay_s)
            return None
        if len(self._entries) >= MOST and message.event.priority is not Priority.CRITICAL:
            self.overflowed = self.overflowed or message.row is not None
            self.lost += message.row is None
            return None
        self._entries[key] = _Entry(
            message,
            monotonic_s - _age_s(message, wall_s),
            max(monotonic_s + delay_s, self._ready_at_s(message, monotonic_s, wall_s)),
            self._give_up_at_s(message, monotonic_s, wall_s),
        )
        return None

    def withdraw(self, keys: Iterable[EventKey]) -> None:
        """Forget messages that have no row."""
        for key in keys:
            entry = self._entries.get(key)
            if entry is not None and entry.message.row is None:
                del self._entries[key]

    def forget(self, vessels: Collection[str]) -> None:
        """Forget messages of these vessels that have a row: another daemon tells them."""
        for key, entry in tuple(self._entries.items()):
            if key.alarm.vessel in vessels and entry.message.row is not None:
                del self._entries[key]

    def ready(self, monotonic_s: float) -> tuple[Message, ...]:
        """Return what is not held back."""
        return tuple(entry.message for entry in self._entries.values() if entry.ready_at_s <= monotonic_s)

    def next_ready_s(self, monotonic_s: float) -> float:
        """Return the seconds until something that is held back comes free; infinite if nothing is."""
        later = (entry.ready_at_s - monotonic_s for entry in self._entries.values())
        return min((left_s for left_s in later if left_s > 0), default=float("inf"))

    def tried(self, messages: Sequence[Message]) -> list[int]:
        """Count a try; return the rows."""
        rows = []
        for message in messages:
            entry = self._entries.get(message.event.key)
            if entry is not None:
                entry.message = replace(entry.message, attempts=entry.message.attempts + 1)
                if entry.message.row is not None:
                    rows.append(entry.message.row)
        return rows

    def close(self, messages: Sequence[Message]) -> list[int]:
        """Take out what is done with; return the rows. The same message is not taken in again."""
        rows = []
        for message in messages:
            entry = self._entries.pop(message.event.key, None)
            row = entry.message.row if entry is not None else message.row
            if row is not None:
                rows.append(row)
            self._told[message.event.key] = None
        while len(self._told) > _TOLD:
            self._told.popitem(last=False)
        return rows

    def superseded(self) -> tuple[Message, ...]:
        """Return what reminds of something of which a later word waits as well: after a day without the phone one is enough."""
        latest: dict[AlarmKey, Message] = {}
        before: list[Message] = []
        for entry in self._entries.values():
            event = entry.message.event
            if event.kind is not EventKind.REMINDER and event.alarm.condition not in _SAID_ANEW:
                continue
            known = latest.get(event.alarm)
            if known is not None and known.event.time_s > event.time_s:
                before.append(entry.message)
                continue
            if known is not None:
                before.append(known)
            latest[event.alarm] = entry.message
        return tuple(before)

    def waited(self, messages: Iterable[Message], monotonic_s: float, for_s: float) -> tuple[Message, ...]:
        """Return those that have waited for so long."""
        known = ((message, self._entries.get(message.event.key)) for message in messages)
        return tuple(m for m, entry in known if entry is not None and monotonic_s - entry.since_s >= for_s)

    def hold(self, messages: Iterable[Message], until_s: float) -> None:
        """Hold messages back until then, by monotonic time."""
        for message in messages:
            entry = self._entries.get(message.event.key)
            if entry is not None:
                entry.ready_at_s = max(entry.ready_at_s, until_s)

    def too_old(self, monotonic_s: float) -> tuple[Message, ...]:
        """Return what has waited beyond the age at which it is given up."""
        return tuple(
            entry.message
            for entry in self._entries.values()
            if entry.give_up_at_s is not None and entry.give_up_at_s <= monotonic_s
        )

    @staticmethod
    def _ready_at_s(message: Message, monotonic_s: float, wall_s: float) -> float:
        if message.hold_until_s is None:
            return monotonic_s
        return monotonic_s + min(max(message.hold_until_s - wall_s, 0.0), _LONGEST_HOLD_S)

    def _give_up_at_s(self, message: Message, monotonic_s: float, wall_s: float) -> float | None:
        after_s = self._give_up_after_s.get(message.event.priority)
        if after_s is None:
            return None
        return monotonic_s + after_s - _age_s(message, wall_s)


def _age_s(message: Message, wall_s: float) -> float:
    made_s = message.event.made_s
    return max(wall_s - made_s, 0.0) if made_s > _BELIEVABLE_S else 0.0
