"""The brewer's journal: entries commit at once, and a correction leaves the old entry behind it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from ullage.adapters.errors import StoreError
from ullage.daemon.store.columns import to_ms
from ullage.daemon.store.readings import ensure_vessels
from ullage.daemon.store.schema import journal_entry, vessel

LONGEST = 4000
"""Characters of an entry."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalEntry:
    """One entry as it stands."""

    id: int
    time_s: float
    """When the thing happened, Unix seconds UTC."""
    text: str
    made_s: float
    """When it was entered."""
    struck_s: float | None = None
    """When it was withdrawn or replaced; None while it holds."""
    replaces: int | None = None
    """The entry that it corrects."""


def add(
    connection: sa.Connection,
    vessel_name: str,
    time_s: float,
    text: str,
    *,
    made_s: float,
    replaces: int | None = None,
) -> int:
    """Add an entry and return its number; the same words at the same time stand only once.

    Raises
    ------
    StoreError
        If the text is empty or too long.
    """
    text = text.strip()
    if not 0 < len(text) <= LONGEST:
        hint = f"write 1 to {LONGEST} characters"
        raise _slip(StoreError("journal entry", f"has {len(text)} characters", hint))
    vessel_id = ensure_vessels(connection, [vessel_name])[vessel_name]
    same: int | None = connection.scalar(
        sa.select(journal_entry.c.id).where(
            journal_entry.c.vessel_id == vessel_id,
            journal_entry.c.time_ms == to_ms(time_s),
            journal_entry.c.text == text,
            journal_entry.c.struck_ms.is_(None),
        )
    )
    if same is not None:
        return same
    done = connection.execute(
        journal_entry.insert().values(
            vessel_id=vessel_id, time_ms=to_ms(time_s), text=text, made_ms=to_ms(made_s), replaces=replaces
        )
    )
    assert done.inserted_primary_key is not None
    return int(done.inserted_primary_key[0])


def strike(connection: sa.Connection, entry_id: int, *, made_s: float) -> None:
    """Withdraw an entry; it stays readable with the time of its withdrawal.

    Raises
    ------
    StoreError
        If there is no such entry or it was withdrawn before.
    """
    done = connection.execute(
        journal_entry.update()
        .where(journal_entry.c.id == entry_id, journal_entry.c.struck_ms.is_(None))
        .values(struck_ms=to_ms(made_s))
    )
    if done.rowcount != 1:
        raise _slip(StoreError(f"journal entry {entry_id}", "is not there or was struck before"))


def replace(
    connection: sa.Connection, entry_id: int, *, made_s: float, time_s: float | None, text: str | None
) -> int:
    """Strike an entry and put a corrected one in its place; return the new number.

    Raises
    ------
    StoreError
        If there is no such entry, it was struck before, or the new text can't be used.
    """
    row = connection.execute(
        sa.select(vessel.c.name, journal_entry.c.time_ms, journal_entry.c.text)
        .join(vessel, vessel.c.id == journal_entry.c.vessel_id)
        .where(journal_entry.c.id == entry_id)
    ).first()
    strike(connection, entry_id, made_s=made_s)
    assert row is not None  # else there was nothing to strike
    return add(
        connection,
        row.name,
        row.time_ms / 1000 if time_s is None else time_s,
        row.text if text is None else text,
        made_s=made_s,
        replaces=entry_id,
    )


def entries(
    connection: sa.Connection,
    vessel_name: str,
    *,
    since_s: float | None,
    until_s: float | None,
    struck: bool,
) -> tuple[JournalEntry, ...]:
    """Return entries with since ≤ time < until in order of time, then of entering."""
    entry = journal_entry.c
    query = sa.select(entry.id, entry.time_ms, entry.text, entry.made_ms, entry.struck_ms, entry.replaces)
    query = query.join(vessel, vessel.c.id == entry.vessel_id).where(vessel.c.name == vessel_name)
    if since_s is not None:
        query = query.where(entry.time_ms >= to_ms(since_s))
    if until_s is not None:
        query = query.where(entry.time_ms < to_ms(until_s))
    if not struck:
        query = query.where(entry.struck_ms.is_(None))
    return tuple(_entry(row) for row in connection.execute(query.order_by(entry.time_ms, entry.id)))


def entries_of_all(connection: sa.Connection, ids: Mapping[str, int]) -> dict[str, tuple[JournalEntry, ...]]:
    """Return all entries of several vessels, those struck included, each vessel's in order of time."""
    entry, names = journal_entry.c, {key: name for name, key in ids.items()}
    query = sa.select(journal_entry).where(entry.vessel_id.in_(sorted(names)))
    found: dict[str, list[JournalEntry]] = {}
    for row in connection.execute(query.order_by(entry.time_ms, entry.id)):
        found.setdefault(names[row.vessel_id], []).append(_entry(row))
    return {name: tuple(entries) for name, entries in found.items()}


def _entry(row: Any) -> JournalEntry:
    return JournalEntry(
        id=row.id,
        time_s=row.time_ms / 1000,
        text=row.text,
        made_s=row.made_ms / 1000,
        struck_s=None if row.struck_ms is None else row.struck_ms / 1000,
        replaces=row.replaces,
    )


def _slip(error: StoreError) -> StoreError:
    error.retryable = False
    return error
