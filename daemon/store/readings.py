"""Readings in the database: one row per commit, folded into one block per channel and window of time.

A commit touches a single page however many channels there are; that is what a memory card feels. About once in two
hours the rows are folded into `reading_block`, clustered by (vessel, quantity, time).
"""

import logging
from collections.abc import Iterable, Iterator, Mapping

import sqlalchemy as sa

from ullage.daemon.store import codec
from ullage.daemon.store.columns import EMPTY, Column, merge
from ullage.daemon.store.pending import Channel
from ullage.daemon.store.schema import reading_batch, reading_block, vessel
from ullage.detectors.samples import Kind

log = logging.getLogger(__name__)

WINDOW_MS = 4 * 3_600_000
"""Span of a block. Longer ones leave less of a page unused, shorter ones cost less when late readings come."""
FOLD_ROWS = 120
"""Commits that are folded together: two hours at the usual interval."""
FOLD_READINGS = 200_000
"""Or this many readings, so that folding needs little memory."""


def vessel_ids(connection: sa.Connection) -> dict[str, int]:
    """Return the key of every vessel that was ever stored."""
    return {name: key for key, name in connection.execute(sa.select(vessel.c.id, vessel.c.name))}


def ensure_vessels(connection: sa.Connection, names: Iterable[str]) -> dict[str, int]:
    """Return the key of every vessel, `names` included."""
    known = vessel_ids(connection)
    missing = sorted(set(names) - known.keys())
    if missing:
        connection.execute(vessel.insert(), [{"name": name} for name in missing])
        known = vessel_ids(connection)
    return known


def pack_batch(columns: dict[Channel, Column], ids: Mapping[str, int]) -> dict[str, object]:
    """Return the row of one commit; needs no connection, so that nobody waits for a lock meanwhile."""
    channels = [(ids[name], kind, column) for (name, kind), column in sorted(columns.items())]
    count = sum(len(column) for column in columns.values())
    return {"count": count, "payload": codec.pack_channels(channels)}


def write_batch(connection: sa.Connection, row: Mapping[str, object]) -> None:
    """Write the row of one commit."""
    connection.execute(reading_batch.insert().values(row))


def fold_is_due(connection: sa.Connection) -> bool:
    """Return whether enough commits have gathered."""
    rows, count = connection.execute(
        sa.select(sa.func.count(), sa.func.coalesce(sa.func.sum(reading_batch.c.count), 0))
    ).one()
    return bool(rows >= FOLD_ROWS or count >= FOLD_READINGS)


def fold(connection: sa.Connection) -> bool:
    """Move the oldest commits into the blocks they belong to; return whether there were any."""
    last, parts, room = None, dict[tuple[int, int], list[Column]](), FOLD_READINGS
    rows = connection.execute(
        sa.select(reading_batch.c.id, reading_batch.c.count).order_by(reading_batch.c.id).limit(FOLD_ROWS)
    ).all()
    for key, count in rows:
        if last is not None and count > room:
            break
        last, room = key, room - count
        payload = connection.execute(
            sa.select(reading_batch.c.payload).where(reading_batch.c.id == key)
        ).scalar_one()
        for vessel_id, kind, column in _channels(payload):
            parts.setdefault((vessel_id, kind), []).append(column)
    if last is None:
        return False
    for (vessel_id, kind), columns in parts.items():
        _into_blocks(connection, vessel_id, kind, merge(columns))
    connection.execute(reading_batch.delete().where(reading_batch.c.id <= last))
    return True


def _into_blocks(connection: sa.Connection, vessel_id: int, kind: int, column: Column) -> None:
    at = 0
    while at < len(column):
        start_ms = int(column.time_ms[at]) // WINDOW_MS * WINDOW_MS
        part = column.between(start_ms, start_ms + WINDOW_MS)
        at += len(part)
        place = _place(vessel_id, kind, start_ms)
        kept = connection.scalar(sa.select(reading_block.c.payload).where(place))
        whole = part if kept is None else merge([_column(kept), part])
        if kept is not None:
            connection.execute(reading_block.delete().where(place))
        connection.execute(
            reading_block.insert().values(
                vessel_id=vessel_id,
                quantity=kind,
                start_ms=start_ms,
                count=len(whole),
                payload=codec.pack(whole),
            )
        )


def _place(vessel_id: int, kind: int, start_ms: int) -> sa.ColumnElement[bool]:
    block = reading_block.c
    return sa.and_(block.vessel_id == vessel_id, block.quantity == kind, block.start_ms == start_ms)


def read_batches(connection: sa.Connection, vessel_id: int) -> dict[Kind, Column]:
    """Return one vessel's readings that are not folded yet."""
    parts: dict[Kind, list[Column]] = {}
    for payload in connection.scalars(sa.select(reading_batch.c.payload).order_by(reading_batch.c.id)):
        for _, kind, column in _channels(payload, vessel_id):
            parts.setdefault(Kind(kind), []).append(column)
    return {kind: merge(columns) for kind, columns in parts.items()}


def read_blocks(connection: sa.Connection, vessel_id: int, kind: Kind, start_ms: int, stop_ms: int) -> Column:
    """Return one channel's readings in start_ms ≤ time < stop_ms that are folded."""
    query = sa.select(reading_block.c.payload).where(
        reading_block.c.vessel_id == vessel_id,
        reading_block.c.quantity == kind,
        reading_block.c.start_ms > start_ms - WINDOW_MS,
        reading_block.c.start_ms < stop_ms,
    )
    parts = [_column(payload) for payload in connection.scalars(query.order_by(reading_block.c.start_ms))]
    return merge(parts).between(start_ms, stop_ms)


def next_block_ms(connection: sa.Connection, vessel_id: int, kind: Kind, start_ms: int) -> int | None:
    """Return the start of the first block that may hold a reading at or after `start_ms`."""
    found: int | None = connection.scalar(
        sa.select(sa.func.min(reading_block.c.start_ms)).where(
            reading_block.c.vessel_id == vessel_id,
            reading_block.c.quantity == kind,
            reading_block.c.start_ms > start_ms - WINDOW_MS,
        )
    )
    return found


def last_block(connection: sa.Connection, vessel_id: int, kind: Kind) -> Column:
    """Return the newest block of one channel."""
    payload = connection.scalar(
        sa.select(reading_block.c.payload)
        .where(reading_block.c.vessel_id == vessel_id, reading_block.c.quantity == kind)
        .order_by(reading_block.c.start_ms.desc())
        .limit(1)
    )
    return EMPTY if payload is None else _column(payload)


def _column(payload: bytes) -> Column:
    """Unpack a block; one that is damaged must not hide all the others."""
    try:
        return codec.unpack(payload)
    except codec.Damaged as error:
        log.error("a block of readings is damaged", extra={"detail": str(error), "bytes": len(payload)})
        return EMPTY


def _channels(payload: bytes, vessel_id: int | None = None) -> Iterator[tuple[int, int, Column]]:
    try:
        yield from codec.unpack_channels(payload, vessel_id)
    except codec.Damaged as error:
        log.error("a commit of readings is damaged", extra={"detail": str(error), "bytes": len(payload)})
