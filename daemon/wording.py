"""How events read on a phone: a title with how urgent it is, the text, when it happened if that is not now, the id."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from ullage.daemon.events import TO_DO, Event, EventKind
from ullage.daemon.local_time import LocalTime
from ullage.daemon.outbox import Message
from ullage.detectors.finding import Priority

_SYMBOL = {Priority.CRITICAL: "‼", Priority.HIGH: "▲", Priority.MEDIUM: "●", Priority.LOW: "○"}
_OVER = "✓"
_INSTALLATION = "ullage"
_SHORTEST_ENTRY = 160
"""Characters that an entry of a merged message has at least, so that it says what happened and carries its id."""


@dataclass(frozen=True, slots=True)
class Attachment:
    """A picture that goes with a letter."""

    name: str
    """As a file is named."""
    png: bytes


@dataclass(frozen=True, slots=True)
class Letter:
    """A message as a target gets it, and how many of the messages given it holds."""

    title: str
    body: str
    count: int
    priority: Priority
    attachments: tuple[Attachment, ...] = ()
    """For a target that takes them; a letter says everything without."""


@dataclass(frozen=True, slots=True)
class Wording:
    """Puts messages into words.

    Parameters
    ----------
    local
        Zone in which times are told.
    late_after_s
        Age from which a message says when the thing happened.
    """

    local: LocalTime
    late_after_s: float = 600.0

    def letter(self, messages: Sequence[Message], now_s: float, limit: int) -> Letter:
        """Return one letter that holds as many of the messages, from the first on, as fit; at least one.

        Parameters
        ----------
        messages
            What waits, in the order in which it is told.
        now_s
            Wall time of the telling.
        limit
            Characters that the body may have.
        """
        if len(messages) == 1:
            event = messages[0].event
            priority = event.priority
            return Letter(_title(event), self._alone(event, now_s, limit), 1, priority)
        priority = min((message.event for message in messages), key=lambda event: event.rank).priority
        first = next((message.flood_first for message in messages if message.flood_first), "")
        head = (
            [f"Many alarms at once. The first was {first}."[: limit - _SHORTEST_ENTRY - 1]] if first else []
        )
        lines: list[str] = []
        room = limit - sum(len(line) + 1 for line in head)
        for message in messages:
            entry = self._entry(message.event, now_s)
            if lines and len(entry) + 1 > room:
                break
            entry = _cut(entry, max(room, _SHORTEST_ENTRY), message.event.token)
            lines.append(entry)
            room -= len(entry) + 1
        if (
            len(lines) == 1 and not head
        ):  # the others go in letters of their own, and so can this one, with all its room
            return self.letter(messages[:1], now_s, limit)
        what = f"{len(lines)} message{'s' * (len(lines) != 1)}, {_vessels(messages[: len(lines)])}"
        title = f"{_SYMBOL[priority]} {_word(priority)}: {what}"
        return Letter(title, "\n".join(head + lines), len(lines), priority)

    def when(self, moment_s: float, now_s: float) -> str:
        """Return the moment in words, as short as it can be told from now: `23:14`, `yesterday 23:14`, `3 Jun 23:14`."""
        then, now = self.local.at(moment_s), self.local.at(now_s)
        if then.date() == now.date():
            return f"{then:%H:%M}"
        if then.date() == (now - timedelta(days=1)).date():
            return f"yesterday {then:%H:%M}"
        return f"{_day(then, now)} {then:%H:%M}"

    def _alone(self, event: Event, now_s: float, limit: int) -> str:
        late = self._late(event, now_s)
        lines = [line for line in (self._text(event, now_s), f"It happened {late}." if late else "") if line]
        return _cut("\n".join([*lines, f"id {event.token}"]), limit, event.token)

    def _entry(self, event: Event, now_s: float) -> str:
        symbol = _OVER if event.kind is EventKind.CLEARED else _SYMBOL[event.priority]
        late = self._late(event, now_s)
        when = late or self.when(event.time_s, now_s)
        head = _name(event) if _reminds(event) else f"{_name(event)}, {when}"
        return f"{symbol} {head}: {self._text(event, now_s)} [id {event.token}]"

    def _text(self, event: Event, now_s: float) -> str:
        text = event.text.strip() or _plain(event)
        if event.kind is EventKind.REMINDER:
            return f"Still not acknowledged: {text}"
        return text

    def _late(self, event: Event, now_s: float) -> str:
        if now_s - event.time_s < self.late_after_s or _reminds(event):
            return ""
        return f"{self.when(event.time_s, now_s)}, told late"


def _title(event: Event) -> str:
    over = event.kind is EventKind.CLEARED
    return f"{_OVER if over else _SYMBOL[event.priority]} {'Over' if over else _word(event.priority)}: {_name(event)}"


def _reminds(event: Event) -> bool:
    """Tell whether nothing has happened: its time only says which reminder it is."""
    return event.alarm.condition == TO_DO


def _word(priority: Priority) -> str:
    """Say how urgent it is; "High" alone would read as the pressure's."""
    word = priority.value.capitalize()
    return word if priority is Priority.CRITICAL else f"{word} priority"


def _name(event: Event) -> str:
    return event.alarm.vessel or _INSTALLATION


def _vessels(messages: Sequence[Message]) -> str:
    names = list(dict.fromkeys(_name(message.event) for message in messages))
    return ", ".join(names) if len(names) <= 3 else f"{', '.join(names[:3])} and {len(names) - 3} more"


def _plain(event: Event) -> str:
    """Say it from the numbers, for a finding that came without words."""
    subject = f" ({event.alarm.subject})" if event.alarm.subject else ""
    words = f"{event.alarm.condition}{subject}"
    if event.kind is EventKind.CLEARED:
        words += " is over"
    if event.value is not None:
        words += f": {event.value:.4g} {event.unit}".rstrip()
        if event.limit is not None:
            words += f", limit {event.limit:.4g} {event.unit}".rstrip()
    return f"{words}."


def _day(then: datetime, now: datetime) -> str:
    months = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
    day = f"{then.day} {months[then.month - 1]}"
    return day if then.year == now.year else f"{day} {then.year}"


def _cut(text: str, limit: int, token: str) -> str:
    if len(text) <= limit:
        return text
    tail = f"… [id {token}]"
    return text[: limit - len(tail)].rstrip() + tail
