"""The outbox: one row per event and target, written with the event, gone through until the target has it.

A message leaves the state `waiting` only when its target has taken it (`sent`) or when it has become pointless
(`given-up`, with the reason). A crash between sending and marking makes it go out twice with the same event id, never
not at all.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import sqlalchemy as sa

from ullage.daemon.alarm_states import AlarmKey
from ullage.daemon.events import Event, EventKind, rank, to_ms
from ullage.daemon.store.alarm_tables import alarm_event, outbox
from ullage.daemon.store.leases import held_by
from ullage.detectors.finding import Priority

_CHUNK = 500


class RowState(StrEnum):
    """What has become of a row."""

    WAITING = "waiting"
    SENT = "sent"
    GIVEN_UP = "given-up"


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One event for one target. `row` is None while the database could not take it."""

    row: int | None
    event: Event
    target: str
    attempts: int = 0
    hold_until_s: float | None = None
    """Wall time before which it waits, to be told together with others of a flood."""
    flood_first: str = ""
    """What came first in the flood that it belongs to; empty outside floods."""


def add_row(connection: sa.Connection, event_id: int, message: Message, now_s: float) -> Message:
    """Write a row and return the message with its number."""
    hold_until_s = message.hold_until_s
    result = connection.execute(
        outbox.insert().values(
            event_id=event_id,
            target=message.target,
            state=RowState.WAITING.value,
            attempts=0,
            reason="",
            made_ms=to_ms(now_s),
            hold_until_ms=None if hold_until_s is None else to_ms(hold_until_s),
            flood_first=message.flood_first[:300],
        )
    )
    return Message(
        row=_new_id(result),
        event=message.event,
        target=message.target,
        hold_until_s=hold_until_s,
        flood_first=message.flood_first,
    )


def add_event(connection: sa.Connection, event: Event) -> int:
    """Write an event and return its number."""
    result = connection.execute(
        alarm_event.insert().values(
            token=event.token,
            vessel=event.alarm.vessel,
            condition=event.alarm.condition,
            subject=event.alarm.subject,
            kind=event.kind.value,
            time_ms=to_ms(event.time_s),
            made_ms=to_ms(event.made_s),
            priority=event.priority.value,
            text=event.text[:2000],
            value=event.value,
            limit_value=event.limit,
            unit=event.unit[:20],
            rate_g_per_l_day=event.rate_g_per_l_day,
            evidence=_join(event.evidence),
        )
    )
    return _new_id(result)


def has_event(connection: sa.Connection, event: Event) -> bool:
    """Tell whether that very event was written before."""
    key = event.key
    found = connection.scalar(
        sa.select(alarm_event.c.id).where(
            alarm_event.c.vessel == key.alarm.vessel,
            alarm_event.c.condition == key.alarm.condition,
            alarm_event.c.subject == key.alarm.subject,
            alarm_event.c.kind == key.kind.value,
            alarm_event.c.time_ms == key.time_ms,
        )
    )
    return found is not None


def newest_event_ms(connection: sa.Connection, alarm: AlarmKey, kinds: Iterable[EventKind]) -> int | None:
    """Return the time of the newest event of those kinds, None if there is none."""
    found: int | None = connection.scalar(
        sa.select(sa.func.max(alarm_event.c.time_ms)).where(
            alarm_event.c.vessel == alarm.vessel,
            alarm_event.c.condition == alarm.condition,
            alarm_event.c.subject == alarm.subject,
            alarm_event.c.kind.in_([kind.value for kind in kinds]),
        )
    )
    return found


def read_events(
    connection: sa.Connection,
    vessel: str | None,
    since_s: float | None,
    limit: int,
    until_s: float | None = None,
) -> tuple[Event, ...]:
    """Return the newest events first."""
    query = (
        sa.select(alarm_event).order_by(alarm_event.c.time_ms.desc(), alarm_event.c.id.desc()).limit(limit)
    )
    if vessel is not None:
        query = query.where(alarm_event.c.vessel == vessel)
    if since_s is not None:
        query = query.where(alarm_event.c.time_ms >= to_ms(since_s))
    if until_s is not None:
        query = query.where(alarm_event.c.time_ms <= to_ms(until_s))
    return tuple(_event(row) for row in connection.execute(query))


def read_waiting(
    connection: sa.Connection, target: str, limit: int = 2000, *, holder: str = ""
) -> tuple[Message, ...]:
    """Return what waits for a target, the most urgent first and within that the oldest.

    Parameters
    ----------
    holder
        Token of the daemon whose vessels' messages are wanted; empty for all.
    """
    urgency = sa.case({p.value: rank(p) for p in Priority}, value=alarm_event.c.priority, else_=9)
    query = (
        sa.select(outbox, *_event_columns())
        .join(alarm_event, outbox.c.event_id == alarm_event.c.id)
        .where(outbox.c.state == RowState.WAITING.value, outbox.c.target == target)
        .order_by(urgency, outbox.c.id)
        .limit(limit)
    )
    if holder:
        query = query.where(alarm_event.c.vessel.in_(held_by(holder)))
    return tuple(
        Message(
            row=row.id,
            event=_event(row, "event_"),
            target=row.target,
            attempts=row.attempts,
            hold_until_s=None if row.hold_until_ms is None else row.hold_until_ms / 1000,
            flood_first=row.flood_first,
        )
        for row in connection.execute(query)
    )


def mark_sent(connection: sa.Connection, rows: Sequence[int], now_s: float) -> None:
    """Note that the target has taken the messages of these rows."""
    for chunk in _chunks(rows):
        connection.execute(
            outbox.update()
            .where(outbox.c.id.in_(chunk))
            .values(
                state=RowState.SENT.value,
                attempts=outbox.c.attempts + 1,
                done_ms=to_ms(now_s),
                reason="sent",
                next_try_ms=None,
            )
        )


def mark_tried(
    connection: sa.Connection, rows: Sequence[int], attempts: int, reason: str, next_try_s: float
) -> None:
    """Note that the target has not taken the messages of these rows, why, and when they are tried again."""
    for chunk in _chunks(rows):
        connection.execute(
            outbox.update()
            .where(outbox.c.id.in_(chunk), outbox.c.state == RowState.WAITING.value)
            .values(attempts=attempts, reason=reason, next_try_ms=to_ms(next_try_s))
        )


def give_up(connection: sa.Connection, rows: Sequence[int], reason: str, now_s: float) -> None:
    """Note that the messages of these rows are not tried again, and why."""
    for chunk in _chunks(rows):
        connection.execute(
            outbox.update()
            .where(outbox.c.id.in_(chunk))
            .values(state=RowState.GIVEN_UP.value, reason=reason, done_ms=to_ms(now_s), next_try_ms=None)
        )


def reroute(
    connection: sa.Connection,
    targets: Sequence[str],
    address: Callable[[Priority], Sequence[str]],
    now_s: float,
) -> int:
    """Hand what waits for targets that are no longer there to those that are; return how many messages waited.

    Parameters
    ----------
    targets
        Names of the targets that are there.
    address
        Names of those that are told of a priority.
    """
    query = (
        sa.select(outbox.c.id, outbox.c.event_id, outbox.c.target)
        .where(outbox.c.state == RowState.WAITING.value, outbox.c.target.not_in(targets))
        .order_by(outbox.c.id)
    )
    stranded = list(connection.execute(query))
    for event_id in dict.fromkeys(row.event_id for row in stranded):
        event = _event(connection.execute(sa.select(alarm_event).where(alarm_event.c.id == event_id)).one())
        told = set(connection.scalars(sa.select(outbox.c.target).where(outbox.c.event_id == event_id)))
        for target in address(event.priority):
            if target not in told:
                add_row(connection, event_id, Message(row=None, event=event, target=target), now_s)
    give_up(connection, [row.id for row in stranded], "target-removed", now_s)
    return len(stranded)


def prune(connection: sa.Connection, before_s: float) -> int:
    """Delete events older than `before_s` that nobody waits for, with their rows; return how many."""
    before_ms = to_ms(before_s)
    awaited = sa.select(outbox.c.event_id).where(outbox.c.state == RowState.WAITING.value)
    old = sa.select(alarm_event.c.id).where(
        alarm_event.c.made_ms < before_ms, alarm_event.c.id.not_in(awaited)
    )
    ids = list(connection.scalars(old.order_by(alarm_event.c.id).limit(5000)))
    for chunk in _chunks(ids):
        connection.execute(outbox.delete().where(outbox.c.event_id.in_(chunk)))
        connection.execute(alarm_event.delete().where(alarm_event.c.id.in_(chunk)))
    return len(ids)


def _new_id(result: sa.CursorResult[tuple[object, ...]]) -> int:
    key = result.inserted_primary_key
    assert key is not None  # a single-row insert has one
    return int(key[0])


def _chunks(rows: Sequence[int]) -> Iterator[Sequence[int]]:
    for start in range(0, len(rows), _CHUNK):
        yield rows[start : start + _CHUNK]


def _event_columns() -> list[sa.Label[object]]:
    return [column.label(f"event_{column.name}") for column in alarm_event.c if column.name != "id"]


def _event(row: sa.Row[tuple[object, ...]], prefix: str = "") -> Event:
    def get(name: str) -> object:
        return row._mapping[prefix + name]

    return Event(
        token=str(get("token")),
        kind=EventKind(str(get("kind"))),
        alarm=AlarmKey(str(get("vessel")), str(get("condition")), str(get("subject"))),
        priority=Priority(str(get("priority"))),
        time_s=_number(get("time_ms"), 1000) or 0.0,
        made_s=_number(get("made_ms"), 1000) or 0.0,
        text=str(get("text")),
        value=_number(get("value")),
        limit=_number(get("limit_value")),
        unit=str(get("unit")),
        rate_g_per_l_day=_number(get("rate_g_per_l_day")),
        evidence=tuple(line for line in str(get("evidence")).split("\n") if line),
    )


def _number(found: object, divisor: int = 1) -> float | None:
    return float(found) / divisor if isinstance(found, int | float) else None


def _join(evidence: Sequence[str]) -> str:
    lines: list[str] = []
    for line in evidence:
        plain = " ".join(line.split())
        if sum(map(len, lines)) + len(lines) + len(plain) > 2000:
            break
        lines.append(plain)
    return "\n".join(lines)
