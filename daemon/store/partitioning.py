"""Which of the two makes the partitions of packed readings: PostgreSQL itself, or the extension TimescaleDB.

The extension does if it stood in the database when the table of blocks was made. An extension that comes later changes
nothing, since the two don't mix in one table: who wants it then restores a backup into a new database.
"""

from collections.abc import Iterable
from typing import Protocol

import sqlalchemy as sa

from ullage.daemon.store import hypertable, partitions
from ullage.daemon.store.parts import Part

_KIND = sa.text("SELECT relkind::text FROM pg_class WHERE oid = to_regclass('reading_block')")
_PARTITIONED = "p"


class Partitioning(Protocol):
    """What either can do; the modules themselves do it."""

    def standing(self, connection: sa.Connection, /) -> tuple[Part, ...]:
        """Return the partitions that there are, oldest first."""

    def ensure(self, connection: sa.Connection, starts_ms: Iterable[int], /) -> None:
        """Have partitions for blocks of these starts."""

    def ensure_ahead(self, connection: sa.Connection, now_ms: int, /) -> None:
        """Have partitions for the weeks to come."""

    def drop(self, connection: sa.Connection, part: Part, /) -> None:
        """Drop a partition, or give up after two seconds."""


def of(connection: sa.Connection) -> Partitioning | None:
    """Return who makes the partitions here, as the catalogue has it; None in a file, which has none."""
    if connection.dialect.name != "postgresql":
        return None
    return partitions if connection.scalar(_KIND) == _PARTITIONED else hypertable


def in_words(connection: sa.Connection) -> str:
    """Say how readings lie on a server."""
    version = hypertable.version(connection)
    if of(connection) is hypertable:
        return f"Readings lie in chunks of the extension TimescaleDB {version}."
    unused = f"; the extension TimescaleDB {version} came after them and is not used" if version else ""
    return f"Readings lie in partitions of PostgreSQL's own, one each week{unused}."
