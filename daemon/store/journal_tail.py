"""Journal entries by their number: how the running daemon learns of those that other programs make."""

import sqlalchemy as sa

from ullage.daemon.store.journal import JournalEntry
from ullage.daemon.store.schema import journal_entry, vessel
from ullage.daemon.store.store import Store


def last_entry_id(store: Store) -> int:
    """Return the highest number given so far, 0 in an empty journal.

    Raises
    ------
    StoreError
        If the database refuses.
    """
    with store.reading() as connection:
        return connection.scalar(sa.select(sa.func.max(journal_entry.c.id))) or 0


def entries_after(store: Store, entry_id: int) -> tuple[tuple[str, JournalEntry], ...]:
    """Return vessel and entry of each standing entry with a higher number, in the order of numbers.

    Raises
    ------
    StoreError
        If the database refuses.
    """
    entry = journal_entry.c
    query = (
        sa.select(vessel.c.name, entry.id, entry.time_ms, entry.text, entry.made_ms, entry.replaces)
        .join(vessel, vessel.c.id == entry.vessel_id)
        .where(entry.id > entry_id, entry.struck_ms.is_(None))
        .order_by(entry.id)
        .limit(1000)
    )
    with store.reading() as connection:
        rows = connection.execute(query).all()
    return tuple(
        (
            row.name,
            JournalEntry(
                id=row.id,
                time_s=row.time_ms / 1000,
                text=row.text,
                made_s=row.made_ms / 1000,
                replaces=row.replaces,
            ),
        )
        for row in rows
    )
