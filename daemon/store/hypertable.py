"""Packed readings in a hypertable of the extension TimescaleDB: its chunks come by themselves and are dropped whole.

A chunk is a week long unless somebody has told the extension otherwise, which then goes for what comes. Chunks are not
compressed: blocks are packed already, and one that is would be unpacked in part for every late reading.
"""

from collections.abc import Iterable

import sqlalchemy as sa

from ullage.daemon.store.parts import SPAN_MS, Part
from ullage.daemon.store.schema import reading_block, vessel

_EXTENSION = sa.text("SELECT extversion FROM pg_extension WHERE extname = 'timescaledb'")
_CONVERT = sa.text(
    "SELECT create_hypertable('reading_block', by_range('start_ms', :span_ms), create_default_indexes => FALSE)"
)
_CHUNKS = sa.text(
    "SELECT format('%I.%I', chunk_schema, chunk_name), range_start_integer, range_end_integer "
    "FROM timescaledb_information.chunks "
    "WHERE to_regclass(format('%I.%I', hypertable_schema, hypertable_name)) = to_regclass('reading_block') "
    "ORDER BY range_start_integer"
)
_DROP = sa.text(
    "SELECT drop_chunks('reading_block', older_than => CAST(:stop_ms AS bigint), "
    "newer_than => CAST(:start_ms AS bigint))"
)


def version(connection: sa.Connection) -> str | None:
    """Return the extension's version, or None if this database does not have it; `connection` is to PostgreSQL."""
    found: str | None = connection.scalar(_EXTENSION)
    return found


def make(connection: sa.Connection) -> None:
    """Make the table of blocks, and the one it refers to, with chunks in the place of partitions."""
    alone = sa.MetaData()
    vessel.to_metadata(alone)
    plain = reading_block.to_metadata(alone)
    plain.dialect_options["postgresql"]["partition_by"] = None
    alone.create_all(connection)
    convert(connection)


def convert(connection: sa.Connection) -> None:
    """Let the table of blocks, plain and empty, have chunks from now on."""
    connection.execute(_CONVERT, {"span_ms": SPAN_MS})


def standing(connection: sa.Connection) -> tuple[Part, ...]:
    """Return the chunks that there are, oldest first."""
    return tuple(Part(*row) for row in connection.execute(_CHUNKS))


def ensure(_connection: sa.Connection, _starts_ms: Iterable[int]) -> None:
    """Do nothing: a chunk is made when the first block of it comes."""


def ensure_ahead(_connection: sa.Connection, _now_ms: int) -> None:
    """Do nothing, for the same reason."""


def drop(connection: sa.Connection, part: Part) -> None:
    """Drop a chunk; gives up after two seconds rather than have every reader queue behind it."""
    connection.exec_driver_sql("SET LOCAL lock_timeout = '2s'")
    connection.execute(_DROP, {"start_ms": part.start_ms, "stop_ms": part.stop_ms})
