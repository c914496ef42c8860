"""What is known to be wanted of several vessels, read in one go: a server is asked five times for all, not for each."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import sqlalchemy as sa

from ullage.daemon.store import journal, snapshots
from ullage.daemon.store.columns import Column, merge
from ullage.daemon.store.journal import JournalEntry
from ullage.daemon.store.readings import channels_of, column_of, window_of
from ullage.daemon.store.schema import reading_batch, reading_block, vessel
from ullage.daemon.store.snapshots import Snapshot
from ullage.detectors.samples import Kind


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """Snapshots, journals and recent readings of some vessels."""

    since_ms: int
    """Readings that are folded are here from this time on."""
    names: frozenset[str]
    keys: frozenset[int]
    snapshots: Mapping[str, Snapshot]
    entries: Mapping[str, tuple[JournalEntry, ...]]
    """All, in order of time, those struck included."""
    loose: Mapping[int, list[bytes]]
    blocks: Mapping[int, list[tuple[Kind, int, bytes]]]
    """Kind, start and payload in order of start."""
    older: frozenset[int]
    """Vessels of which something is folded from before `since_ms`."""

    def covers(self, vessel_id: int, start_ms: int) -> bool:
        """Tell whether a vessel's readings from a time on are here."""
        return vessel_id in self.keys and (start_ms >= self.since_ms or vessel_id not in self.older)

    def batches(self, vessel_id: int) -> dict[Kind, Column]:
        """Return the readings that are not folded yet."""
        parts: dict[Kind, list[Column]] = defaultdict(list)
        for payload in self.loose.get(vessel_id, ()):
            for _, kind, column in channels_of(payload, vessel_id):
                parts[Kind(kind)].append(column)
        return {kind: merge(columns) for kind, columns in parts.items()}

    def between(self, vessel_id: int, start_ms: int, stop_ms: int) -> dict[Kind, Column]:
        """Return the readings in start_ms ≤ time < stop_ms that are folded."""
        parts: dict[Kind, list[Column]] = defaultdict(list)
        for kind, at, payload in self.blocks.get(vessel_id, ()):
            if window_of(start_ms) <= at < stop_ms:
                parts[kind].append(column_of(payload))
        return {kind: merge(columns).between(start_ms, stop_ms) for kind, columns in parts.items()}

    def journal(
        self, vessel: str, since_s: float | None, until_s: float | None, *, struck: bool
    ) -> tuple[JournalEntry, ...]:
        """Return entries as `journal.entries` does."""
        return tuple(
            entry
            for entry in self.entries.get(vessel, ())
            if (since_s is None or entry.time_s >= since_s)
            and (until_s is None or entry.time_s < until_s)
            and (struck or entry.struck_s is None)
        )


def read_ahead(connection: sa.Connection, ids: Mapping[str, int], since_ms: int) -> Ahead:
    """Read what is recent of the vessels, and what has no time."""
    keys, since_ms = sorted(ids.values()), window_of(since_ms)
    batch, block = reading_batch.c, reading_block.c
    loose: dict[int, list[bytes]] = defaultdict(list)
    for key, payload in connection.execute(
        sa.select(batch.vessel_id, batch.payload).where(batch.vessel_id.in_(keys)).order_by(batch.id)
    ):
        loose[key].append(payload)
    blocks: dict[int, list[tuple[Kind, int, bytes]]] = defaultdict(list)
    for row in connection.execute(
        sa.select(block.vessel_id, block.quantity, block.start_ms, block.payload)
        .where(block.vessel_id.in_(keys), block.start_ms >= since_ms)
        .order_by(block.start_ms)
    ):
        blocks[row.vessel_id].append((Kind(row.quantity), row.start_ms, row.payload))
    return Ahead(
        since_ms=since_ms,
        names=frozenset(ids),
        keys=frozenset(keys),
        snapshots=snapshots.load_all(connection, ids),
        entries=journal.entries_of_all(connection, ids),
        loose=loose,
        blocks=blocks,
        older=frozenset(connection.scalars(_with_older(keys, since_ms))),
    )


def _with_older(keys: Sequence[int], since_ms: int) -> "sa.Select[tuple[int]]":
    block = reading_block.c
    before = sa.exists().where(block.vessel_id == vessel.c.id, block.start_ms < since_ms)
    return sa.select(vessel.c.id).where(vessel.c.id.in_(keys), before)
