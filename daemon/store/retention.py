"""Let single readings go when they have grown old, in steps so small that nobody waits."""

import logging
from dataclasses import dataclass

import sqlalchemy as sa

from ullage.daemon.store import coarse, codec, partitioning
from ullage.daemon.store.partitioning import Partitioning
from ullage.daemon.store.parts import Part
from ullage.daemon.store.readings import WINDOW_MS, fold, fold_vessel, vessels_with_rows_before
from ullage.daemon.store.schema import reading_block
from ullage.daemon.store.spans import Reader
from ullage.detectors.samples import Kind

log = logging.getLogger(__name__)

_BLOCKS = 12
"""Blocks dropped in one transaction: the writer's lock is held for some tens of milliseconds."""
_BLOCKS_TOGETHER = 50
"""Blocks made into bins in one transaction where nobody waits for it."""
_PAGES = 500
_FREE_PAGES = 1000
"""Below this (4 MB) free pages simply wait for new readings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Retained:
    """What a round of retention did."""

    readings_dropped: int
    bins_written: int


def retain(writer: Reader, reader: Reader, now_ms: int, cutoff_ms: int) -> Retained:
    """Put bins in the place of readings before `cutoff_ms`; a block goes when all of it is older.

    In a file, room that is freed is used for new readings; only when much of it has gathered is it given back to the
    disk, since moving pages wears a card. On PostgreSQL a week's partition is dropped when all of it is older.
    """
    while True:  # a bin must be made of all of its readings
        with writer() as connection:
            if not fold(connection):
                break
    with reader() as connection:
        parting = partitioning.of(connection)
    if parting is not None:
        return _retain_parts(parting, writer, reader, now_ms, cutoff_ms)
    done = _retain_blocks(writer, reader, cutoff_ms)
    _give_back_pages(writer, reader)
    return done


def _retain_blocks(writer: Reader, reader: Reader, cutoff_ms: int) -> Retained:
    dropped = written = 0
    with reader() as connection:
        query = sa.select(reading_block.c.vessel_id, reading_block.c.quantity).distinct()
        channels = [(vessel_id, Kind(kind)) for vessel_id, kind in connection.execute(query)]
    for vessel_id, kind in channels:
        while True:
            with writer() as connection:
                done = _drop_some(connection, vessel_id, kind, cutoff_ms)
            if done is None:
                break
            dropped += done.readings_dropped
            written += done.bins_written
    return Retained(readings_dropped=dropped, bins_written=written)


def _retain_parts(
    parting: Partitioning, writer: Reader, reader: Reader, now_ms: int, cutoff_ms: int
) -> Retained:
    with writer() as connection:
        parting.ensure_ahead(connection, now_ms)
        late = vessels_with_rows_before(connection, cutoff_ms)
    for vessel_id in late:
        while True:
            with writer() as connection:
                if not fold_vessel(connection, vessel_id):
                    break
    with reader() as connection:
        old = [each for each in parting.standing(connection) if each.stop_ms <= cutoff_ms]
    dropped = written = 0
    for part in old:
        done = _bins_of(writer, part)
        with writer() as connection:
            parting.drop(connection, part)
        dropped += done.readings_dropped
        written += done.bins_written
    return Retained(readings_dropped=dropped, bins_written=written)


def _bins_of(writer: Reader, part: Part) -> Retained:
    """Make bins of all blocks of a partition; if that is broken off, the next round does it again."""
    block = reading_block.c
    key = sa.tuple_(block.vessel_id, block.quantity, block.start_ms)
    within = sa.and_(block.start_ms >= part.start_ms, block.start_ms < part.stop_ms)
    dropped = written = 0
    last: tuple[int, int, int] | None = None
    while True:
        query = sa.select(reading_block).where(within).order_by(*key.clauses).limit(_BLOCKS_TOGETHER)
        with writer() as connection:
            rows = connection.execute(query if last is None else query.where(key > sa.tuple_(*last))).all()
            for row in rows:
                written += _write_bins(connection, row.vessel_id, Kind(row.quantity), row.payload)
                dropped += row._mapping["count"]
        if not rows:
            return Retained(readings_dropped=dropped, bins_written=written)
        last = (rows[-1].vessel_id, rows[-1].quantity, rows[-1].start_ms)


def _drop_some(connection: sa.Connection, vessel_id: int, kind: Kind, cutoff_ms: int) -> Retained | None:
    """Turn a few of the oldest blocks into bins; None when there are none left.

    A bin that stands already stays as it is: readings that came after their span was dropped change nothing.
    """
    block = reading_block.c
    here = sa.and_(block.vessel_id == vessel_id, block.quantity == kind)
    rows = connection.execute(
        sa.select(block.start_ms, block.count.label("held"), block.payload)
        .where(here, block.start_ms <= cutoff_ms - WINDOW_MS)
        .order_by(block.start_ms)
        .limit(_BLOCKS)
    ).all()
    if not rows:
        return None
    written = sum(_write_bins(connection, vessel_id, kind, row.payload) for row in rows)
    connection.execute(reading_block.delete().where(here, block.start_ms <= rows[-1].start_ms))
    return Retained(readings_dropped=sum(row.held for row in rows), bins_written=written)


def _write_bins(connection: sa.Connection, vessel_id: int, kind: Kind, payload: bytes) -> int:
    try:
        return coarse.write(connection, vessel_id, kind, coarse.bins(codec.unpack(payload)))
    except codec.Damaged as error:
        log.error("a damaged block of readings is dropped", extra={"detail": str(error)})
        return 0


def _give_back_pages(writer: Reader, reader: Reader) -> None:
    with reader() as connection:
        free = connection.exec_driver_sql("PRAGMA freelist_count").scalar_one()
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
    if free <= max(_FREE_PAGES, pages // 10):
        return
    for _ in range(0, free, _PAGES):
        with writer() as connection:
            for _ in range(_PAGES):  # the driver takes one step of the statement, which is one page
                connection.exec_driver_sql("PRAGMA incremental_vacuum(1)")
