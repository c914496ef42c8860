"""Readings in the database: small rows as they are committed, folded into one block per channel and window of time.

In a file a commit is one row with all channels in it: it touches a single page however many channels there are, which
is what a memory card feels. On a server a commit is one row for each vessel, so that one vessel of thousands is read
without the others. About once in an hour or two the rows are folded into `reading_block`, clustered by (vessel,
quantity, time).
"""

import logging
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import sqlalchemy as sa
from sqlalchemy.dialects import postgresql

from ullage.daemon.store import codec, partitioning
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
FOLD_MOST_ROWS = 5_000
"""Rows of one vessel folded together at most."""

_COPY = "COPY reading_batch (vessel_id, first_ms, count, payload) FROM STDIN (FORMAT BINARY)"
_OF_ALL = reading_batch.c.vessel_id.is_(None)


def window_of(time_ms: int) -> int:
    """Return the start of the block that a time falls into."""
    return time_ms // WINDOW_MS * WINDOW_MS


def vessel_ids(connection: sa.Connection) -> dict[str, int]:
    """Return the key of every vessel that was ever stored."""
    return {name: key for key, name in connection.execute(sa.select(vessel.c.id, vessel.c.name))}


def ensure_vessels(connection: sa.Connection, names: Iterable[str]) -> dict[str, int]:
    """Return the key of every vessel, `names` included."""
    known = vessel_ids(connection)
    missing = sorted(set(names) - known.keys())
    if missing:
        insert = vessel.insert()
        if connection.dialect.name == "postgresql":  # another daemon may do the same this moment
            insert = postgresql.insert(vessel).on_conflict_do_nothing()
        connection.execute(insert, [{"name": name} for name in missing])
        known = vessel_ids(connection)
    return known


def pack_batch(columns: dict[Channel, Column], ids: Mapping[str, int]) -> dict[str, object]:
    """Return the row of one commit; needs no connection, so that nobody waits for a lock meanwhile."""
    channels = [(ids[name], kind, column) for (name, kind), column in sorted(columns.items())]
    count = sum(len(column) for column in columns.values())
    return {"count": count, "payload": codec.pack_channels(channels)}


def pack_each(columns: dict[Channel, Column], ids: Mapping[str, int]) -> list[dict[str, object]]:
    """Return the rows of one commit, one a vessel."""
    found: dict[int, list[tuple[int, int, Column]]] = {}
    for (name, kind), column in sorted(columns.items()):
        if len(column):
            found.setdefault(ids[name], []).append((ids[name], kind, column))
    return [
        {
            "vessel_id": vessel_id,
            "first_ms": min(int(column.time_ms[0]) for _, _, column in channels),
            "count": sum(len(column) for _, _, column in channels),
            "payload": codec.plain_channels(channels),
        }
        for vessel_id, channels in found.items()
    ]


def write_batch(connection: sa.Connection, rows: Sequence[Mapping[str, object]]) -> None:
    """Write the rows of one commit."""
    if connection.dialect.name != "postgresql":
        connection.execute(reading_batch.insert(), list(rows))
        return
    # one statement for all vessels, and none of it passes through SQLAlchemy: a third of what a commit costs
    driver: Any = connection.connection.driver_connection
    try:
        with driver.cursor() as cursor, cursor.copy(_COPY) as copy:
            copy.set_types(["int8", "int8", "int4", "bytea"])
            for row in rows:
                copy.write_row((row["vessel_id"], row["first_ms"], row["count"], row["payload"]))
    except connection.dialect.loaded_dbapi.Error as error:
        raise sa.exc.DBAPIError(_COPY, None, error) from error


def fold_is_due(connection: sa.Connection) -> bool:
    """Return whether enough commits of all channels have gathered."""
    rows, count = connection.execute(
        sa.select(sa.func.count(), sa.func.coalesce(sa.func.sum(reading_batch.c.count), 0)).where(_OF_ALL)
    ).one()
    return bool(rows >= FOLD_ROWS or count >= FOLD_READINGS)


def fold(connection: sa.Connection) -> bool:
    """Move the oldest commits of all channels into the blocks they belong to; return whether there were any."""
    last, parts, room = None, dict[tuple[int, int], list[Column]](), FOLD_READINGS
    batch = reading_batch.c
    rows = connection.execute(
        sa.select(batch.id, batch.count).where(_OF_ALL).order_by(batch.id).limit(FOLD_ROWS)
    ).all()
    for key, count in rows:
        if last is not None and count > room:
            break
        last, room = key, room - count
        payload = connection.execute(
            sa.select(reading_batch.c.payload).where(reading_batch.c.id == key)
        ).scalar_one()
        for vessel_id, kind, column in channels_of(payload):
            parts.setdefault((vessel_id, kind), []).append(column)
    if last is None:
        return False
    _into_blocks(connection, parts)
    connection.execute(reading_batch.delete().where(reading_batch.c.id <= last, _OF_ALL))
    return True


def fold_vessel(connection: sa.Connection, vessel_id: int) -> bool:
    """Move one vessel's own rows into blocks; return whether there were any. Another daemon at it is waited for."""
    batch = reading_batch.c
    rows = connection.execute(
        sa.select(batch.id, batch.payload)
        .where(batch.vessel_id == vessel_id)
        .order_by(batch.id)
        .limit(FOLD_MOST_ROWS)
        .with_for_update()
    ).all()
    if not rows:
        return False
    parts: dict[tuple[int, int], list[Column]] = {}
    for row in rows:
        for owner, kind, column in channels_of(row.payload):
            parts.setdefault((owner, kind), []).append(column)
    _into_blocks(connection, parts)
    connection.execute(reading_batch.delete().where(batch.vessel_id == vessel_id, batch.id <= rows[-1].id))
    return True


def loose_rows(connection: sa.Connection) -> dict[int, int]:
    """Return how many rows of its own each vessel has."""
    vessel_id = reading_batch.c.vessel_id
    query = sa.select(vessel_id, sa.func.count()).where(vessel_id.is_not(None)).group_by(vessel_id)
    return {key: count for key, count in connection.execute(query)}


def vessels_with_rows_before(connection: sa.Connection, before_ms: int) -> tuple[int, ...]:
    """Return the vessels that have rows of their own with readings before that time."""
    query = sa.select(reading_batch.c.vessel_id).distinct().where(reading_batch.c.first_ms < before_ms)
    return tuple(connection.scalars(query))


def _into_blocks(connection: sa.Connection, parts: Mapping[tuple[int, int], list[Column]]) -> None:
    channels = {channel: merge(columns) for channel, columns in parts.items()}
    if (parting := partitioning.of(connection)) is not None:
        times_ms = (np.unique(column.time_ms // WINDOW_MS) * WINDOW_MS for column in channels.values())
        parting.ensure(connection, {start_ms for starts in times_ms for start_ms in starts.tolist()})
    for (vessel_id, kind), column in channels.items():
        _into_blocks_of(connection, vessel_id, kind, column)


def _into_blocks_of(connection: sa.Connection, vessel_id: int, kind: int, column: Column) -> None:
    at = 0
    while at < len(column):
        start_ms = window_of(int(column.time_ms[at]))
        part = column.between(start_ms, start_ms + WINDOW_MS)
        at += len(part)
        place = _place(vessel_id, kind, start_ms)
        kept = connection.scalar(sa.select(reading_block.c.payload).where(place))
        whole = part if kept is None else merge([column_of(kept), part])
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
    batch = reading_batch.c
    query = sa.select(batch.payload).where(sa.or_(batch.vessel_id == vessel_id, _OF_ALL)).order_by(batch.id)
    for payload in connection.scalars(query):
        for _, kind, column in channels_of(payload, vessel_id):
            parts.setdefault(Kind(kind), []).append(column)
    return {kind: merge(columns) for kind, columns in parts.items()}


def read_blocks(
    connection: sa.Connection, vessel_id: int, kinds: Collection[Kind], start_ms: int, stop_ms: int
) -> dict[Kind, Column]:
    """Return one vessel's readings in start_ms ≤ time < stop_ms that are folded."""
    query = sa.select(reading_block.c.quantity, reading_block.c.payload).where(
        reading_block.c.vessel_id == vessel_id,
        reading_block.c.quantity.in_([int(kind) for kind in kinds]),
        reading_block.c.start_ms >= window_of(start_ms),
        reading_block.c.start_ms < stop_ms,
    )
    parts: dict[Kind, list[Column]] = {}
    for quantity, payload in connection.execute(query.order_by(reading_block.c.start_ms)):
        parts.setdefault(Kind(quantity), []).append(column_of(payload))
    return {kind: merge(columns).between(start_ms, stop_ms) for kind, columns in parts.items()}


def next_block_ms(
    connection: sa.Connection, vessel_id: int, kinds: Collection[Kind], start_ms: int
) -> int | None:
    """Return the start of the first block of a vessel that may hold a reading at or after `start_ms`."""
    firsts = [
        sa.select(sa.func.min(reading_block.c.start_ms).label("start_ms")).where(
            reading_block.c.vessel_id == vessel_id,
            reading_block.c.quantity == int(kind),
            reading_block.c.start_ms >= window_of(start_ms),
        )
        for kind in kinds
    ]
    found: int | None = connection.scalar(sa.select(sa.func.min(sa.union_all(*firsts).subquery().c.start_ms)))
    return found


def last_block(connection: sa.Connection, vessel_id: int, kind: Kind) -> Column:
    """Return the newest block of one channel."""
    payload = connection.scalar(
        sa.select(reading_block.c.payload)
        .where(reading_block.c.vessel_id == vessel_id, reading_block.c.quantity == kind)
        .order_by(reading_block.c.start_ms.desc())
        .limit(1)
    )
    return EMPTY if payload is None else column_of(payload)


def column_of(payload: bytes) -> Column:
    """Unpack a block; one that is damaged must not hide all the others."""
    try:
        return codec.unpack(payload)
    except codec.Damaged as error:
        log.error("a block of readings is damaged", extra={"detail": str(error), "bytes": len(payload)})
        return EMPTY


def channels_of(payload: bytes, vessel_id: int | None = None) -> Iterator[tuple[int, int, Column]]:
    """Unpack a commit's row, of one vessel only if `vessel_id` says which; one that is damaged hides no other."""
    try:
        yield from codec.unpack_channels(payload, vessel_id)
    except codec.Damaged as error:
        log.error("a commit of readings is damaged", extra={"detail": str(error), "bytes": len(payload)})
