"""Where the desk reads and writes while it works: a page in the database, or one in memory while that refuses.

The desk's operations are written once against `Page` and do the same on both, so an operation done in memory can be
done again in the database as soon as it works, and comes to the same result.
"""

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Protocol

import sqlalchemy as sa

from ullage.daemon import outbox
from ullage.daemon.alarm_states import Alarm, AlarmKey, AlarmState, Cause, Transition, follow
from ullage.daemon.events import Event, EventKey, EventKind, to_ms
from ullage.daemon.outbox import Message
from ullage.daemon.store.alarm_tables import alarm, alarm_shelf, alarm_transition
from ullage.detectors.finding import Priority

Shelves = dict[tuple[str, str], float]
"""Vessel and condition to the wall time at which the shelf ends."""

Address = Callable[[Priority], tuple[str, ...]]
"""Names of the targets that are told of a priority."""


class Page(Protocol):
    """What an operation of the desk may ask and write."""

    now_s: float
    """Wall time of the operation."""

    def alarm(self, key: AlarmKey) -> Alarm:
        """Return the alarm, in the state normal if it was never raised."""
        ...

    def alarms_of(self, vessel: str, condition: str | None) -> tuple[Alarm, ...]:
        """Return the alarms of a vessel (and condition) that are not normal."""
        ...

    def put(self, changed: Alarm) -> None:
        """Keep the alarm as it is now."""
        ...

    def log(self, transition: Transition) -> None:
        """Keep one line of the alarms' log."""
        ...

    def shelf(self, shelf: tuple[str, str]) -> float | None:
        """Return when the shelf over a vessel's condition ends, None if there is none."""
        ...

    def put_shelf(self, shelf: tuple[str, str], until_s: float | None, actor: str) -> None:
        """Lay a shelf over a vessel's condition, or take it away."""
        ...

    def known(self, event: Event) -> bool:
        """Tell whether that very event was told before."""
        ...

    def newest_ms(self, key: AlarmKey, kinds: Iterable[EventKind]) -> int | None:
        """Return the time of the newest event of those kinds."""
        ...

    def tell(self, event: Event, *, hold_until_s: float | None, flood_first: str) -> None:
        """Keep an event, with a message for each target of its priority."""
        ...

    def keep(self, event: Event) -> None:
        """Keep an event that nobody is told of."""
        ...


def change(page: Page, found: Alarm, cause: Cause, actor: str, time_s: float) -> Alarm:
    """Lead the alarm to its next state and log it; the same alarm comes back where the cause means nothing."""
    shelved = page.shelf(found.key.shelf) is not None
    state = follow(found.state, cause, shelved=shelved)
    if state is found.state:
        return found
    page.log(
        Transition(
            key=found.key,
            before=found.state,
            after=state,
            cause=cause,
            actor=actor,
            time_s=time_s,
            made_s=page.now_s,
        )
    )
    changed = replace(found, state=state, changed_s=time_s)
    if cause is Cause.ACKNOWLEDGED:
        changed = replace(changed, acknowledged_s=page.now_s, acknowledged_by=actor)
    page.put(changed)
    return changed


class MemoryPage:
    """A page over a copy of what the desk remembers."""

    def __init__(
        self, alarms: dict[AlarmKey, Alarm], shelves: Shelves, known: Iterable[EventKey], now_s: float
    ) -> None:
        self.now_s = now_s
        self.alarms = dict(alarms)
        self.shelves = dict(shelves)
        self.events: list[Event] = []
        self.told: list[Event] = []
        self.transitions: list[Transition] = []
        self.changed = False
        self._known = set(known)

    def alarm(self, key: AlarmKey) -> Alarm:
        """Return the alarm, in the state normal if it is not remembered."""
        return self.alarms.get(key, Alarm(key=key))

    def alarms_of(self, vessel: str, condition: str | None) -> tuple[Alarm, ...]:
        """Return the remembered alarms of a vessel (and condition) that are not normal."""
        return tuple(
            found
            for found in self.alarms.values()
            if found.vessel == vessel
            and condition in (None, found.condition)
            and found.state is not AlarmState.NORMAL
        )

    def put(self, changed: Alarm) -> None:
        """Remember the alarm as it is now."""
        self.alarms[changed.key] = changed
        self.changed = True

    def log(self, transition: Transition) -> None:
        """Remember the change."""
        self.transitions.append(transition)

    def shelf(self, shelf: tuple[str, str]) -> float | None:
        """Return when the shelf ends."""
        return self.shelves.get(shelf)

    def put_shelf(self, shelf: tuple[str, str], until_s: float | None, actor: str) -> None:
        """Lay or take away a shelf."""
        self.changed = True
        if until_s is None:
            self.shelves.pop(shelf, None)
        else:
            self.shelves[shelf] = until_s

    def known(self, event: Event) -> bool:
        """Tell whether the event is among those remembered."""
        return event.key in self._known

    def newest_ms(self, key: AlarmKey, kinds: Iterable[EventKind]) -> int | None:
        """Return the time of the newest event remembered."""
        wanted = set(kinds)
        times = [known.time_ms for known in self._known if known.alarm == key and known.kind in wanted]
        return max(times, default=None)

    def tell(self, event: Event, *, hold_until_s: float | None, flood_first: str) -> None:
        """Remember what is to be told."""
        self.told.append(event)
        self.keep(event)

    def keep(self, event: Event) -> None:
        """Remember the event."""
        self.events.append(event)
        self.changed = True
        self._known.add(event.key)


class StoredPage:
    """A page in the database: everything in the one transaction that the connection is in."""

    def __init__(self, connection: sa.Connection, address: Address, now_s: float) -> None:
        self.now_s = now_s
        self.changed: dict[AlarmKey, Alarm] = {}
        self.shelves_changed: dict[tuple[str, str], float | None] = {}
        self.messages: list[Message] = []
        self.events: list[Event] = []
        self.told: list[Event] = []
        self._connection = connection
        self._address = address

    def alarm(self, key: AlarmKey) -> Alarm:
        """Read the alarm; another process may have changed it."""
        found = self.changed.get(key)
        if found is not None:
            return found
        query = sa.select(alarm).where(*_is(key)).with_for_update()
        row = self._connection.execute(query).one_or_none()
        return Alarm(key=key) if row is None else _alarm(row)

    def alarms_of(self, vessel: str, condition: str | None) -> tuple[Alarm, ...]:
        """Read the alarms of a vessel (and condition) that are not normal."""
        query = sa.select(alarm).where(alarm.c.state != AlarmState.NORMAL.value, alarm.c.vessel == vessel)
        if condition is not None:
            query = query.where(alarm.c.condition == condition)
        return tuple(_alarm(row) for row in self._connection.execute(query.with_for_update()))

    def put(self, changed: Alarm) -> None:
        """Write the alarm."""
        values = _values(changed)
        result = self._connection.execute(alarm.update().where(*_is(changed.key)).values(**values))
        if result.rowcount == 0:
            key = changed.key
            self._connection.execute(
                alarm.insert().values(
                    vessel=key.vessel, condition=key.condition, subject=key.subject, **values
                )
            )
        self.changed[changed.key] = changed

    def log(self, transition: Transition) -> None:
        """Write the change."""
        key = transition.key
        self._connection.execute(
            alarm_transition.insert().values(
                vessel=key.vessel,
                condition=key.condition,
                subject=key.subject,
                before=transition.before.value,
                after=transition.after.value,
                cause=transition.cause.value,
                actor=transition.actor[:100],
                time_ms=to_ms(transition.time_s),
                made_ms=to_ms(transition.made_s),
            )
        )

    def shelf(self, shelf: tuple[str, str]) -> float | None:
        """Read when the shelf ends."""
        if shelf in self.shelves_changed:
            return self.shelves_changed[shelf]
        found = self._connection.scalar(sa.select(alarm_shelf.c.until_ms).where(*_is_shelf(shelf)))
        return None if found is None else found / 1000

    def put_shelf(self, shelf: tuple[str, str], until_s: float | None, actor: str) -> None:
        """Write or delete a shelf."""
        self._connection.execute(alarm_shelf.delete().where(*_is_shelf(shelf)))
        if until_s is not None:
            self._connection.execute(
                alarm_shelf.insert().values(
                    vessel=shelf[0],
                    condition=shelf[1],
                    until_ms=to_ms(until_s),
                    made_ms=to_ms(self.now_s),
                    actor=actor[:100],
                )
            )
        self.shelves_changed[shelf] = until_s

    def known(self, event: Event) -> bool:
        """Look whether the event was written before."""
        return outbox.has_event(self._connection, event)

    def newest_ms(self, key: AlarmKey, kinds: Iterable[EventKind]) -> int | None:
        """Look for the newest event of those kinds."""
        return outbox.newest_event_ms(self._connection, key, kinds)

    def tell(self, event: Event, *, hold_until_s: float | None, flood_first: str) -> None:
        """Write the event and a row for each target."""
        number = outbox.add_event(self._connection, event)
        self.events.append(event)
        self.told.append(event)
        for target in self._address(event.priority):
            message = Message(
                row=None, event=event, target=target, hold_until_s=hold_until_s, flood_first=flood_first
            )
            self.messages.append(outbox.add_row(self._connection, number, message, self.now_s))

    def keep(self, event: Event) -> None:
        """Write the event alone."""
        outbox.add_event(self._connection, event)
        self.events.append(event)


def read_standing(connection: sa.Connection) -> tuple[Alarm, ...]:
    """Return every alarm that is not normal."""
    query = sa.select(alarm).where(alarm.c.state != AlarmState.NORMAL.value).order_by(alarm.c.raised_ms)
    return tuple(_alarm(row) for row in connection.execute(query))


def read_shelves(connection: sa.Connection) -> Shelves:
    """Return every shelf."""
    return {
        (row.vessel, row.condition): row.until_ms / 1000 for row in connection.execute(sa.select(alarm_shelf))
    }


def read_log(connection: sa.Connection, vessel: str | None, limit: int) -> tuple[Transition, ...]:
    """Return the newest changes first."""
    query = sa.select(alarm_transition).order_by(alarm_transition.c.id.desc()).limit(limit)
    if vessel is not None:
        query = query.where(alarm_transition.c.vessel == vessel)
    return tuple(
        Transition(
            key=AlarmKey(row.vessel, row.condition, row.subject),
            before=AlarmState(row.before),
            after=AlarmState(row.after),
            cause=Cause(row.cause),
            actor=row.actor,
            time_s=row.time_ms / 1000,
            made_s=row.made_ms / 1000,
        )
        for row in connection.execute(query)
    )


def prune_log(connection: sa.Connection, before_s: float) -> None:
    """Delete changes recorded before `before_s`."""
    connection.execute(alarm_transition.delete().where(alarm_transition.c.made_ms < to_ms(before_s)))


def _is(key: AlarmKey) -> tuple[sa.ColumnElement[bool], ...]:
    return (alarm.c.vessel == key.vessel, alarm.c.condition == key.condition, alarm.c.subject == key.subject)


def _is_shelf(shelf: tuple[str, str]) -> tuple[sa.ColumnElement[bool], ...]:
    return alarm_shelf.c.vessel == shelf[0], alarm_shelf.c.condition == shelf[1]


def _values(changed: Alarm) -> dict[str, object]:
    acknowledged_s = changed.acknowledged_s
    return {
        "state": changed.state.value,
        "priority": changed.priority.value,
        "text": changed.text[:2000],
        "value": changed.value,
        "limit_value": changed.limit,
        "unit": changed.unit[:20],
        "raised_ms": to_ms(changed.raised_s),
        "changed_ms": to_ms(changed.changed_s),
        "told_ms": to_ms(changed.told_s),
        "tellings": changed.tellings,
        "acknowledged_ms": None if acknowledged_s is None else to_ms(acknowledged_s),
        "acknowledged_by": changed.acknowledged_by[:100],
        "token": changed.token,
    }


def _alarm(row: sa.Row[tuple[object, ...]]) -> Alarm:
    found = row._mapping
    return Alarm(
        key=AlarmKey(found["vessel"], found["condition"], found["subject"]),
        state=AlarmState(found["state"]),
        priority=Priority(found["priority"]),
        text=found["text"],
        value=found["value"],
        limit=found["limit_value"],
        unit=found["unit"],
        raised_s=found["raised_ms"] / 1000,
        changed_s=found["changed_ms"] / 1000,
        told_s=found["told_ms"] / 1000,
        tellings=found["tellings"],
        acknowledged_s=None if found["acknowledged_ms"] is None else found["acknowledged_ms"] / 1000,
        acknowledged_by=found["acknowledged_by"],
        token=found["token"],
    )
