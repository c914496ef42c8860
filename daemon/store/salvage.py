"""What can still be read of a damaged file, row by row, for the new one that takes its place."""

import logging
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from ullage.daemon.store import (
    alarm_tables,  # noqa: F401 - their rows are wanted, too
    batch_tables,  # noqa: F401
    schema,
)
from ullage.daemon.store.engine import WRITE

log = logging.getLogger(__name__)

LOOK_S = 10.0
"""How long a read of the damaged file may take: a circle among its pages must not keep the daemon from its start."""
_STEPS = 10_000


def salvage(damaged: Path, engine: sa.Engine) -> int:
    """Copy rows into the new database; return how many. Whatever goes wrong, the new one stays usable."""
    copied = 0
    try:
        with closing(_open(damaged)) as source:
            revision = source.execute(f"SELECT version_num FROM {schema.revision.name}").fetchone()
            if revision != (schema.HEAD,):
                return 0
            for table in schema.metadata.sorted_tables:
                copied += _copy(source, engine, table)
    except sqlite3.Error as error:
        log.warning("nothing more can be read of the damaged database", extra={"error": str(error)})
    return copied


def _open(damaged: Path) -> sqlite3.Connection:
    place = str(damaged.absolute()).replace("%", "%25").replace("?", "%3f").replace("#", "%23")
    return sqlite3.connect(f"file:{place}?mode=ro", uri=True, timeout=1)


def _copy(source: sqlite3.Connection, engine: sa.Engine, table: sa.Table) -> int:
    """Read a table from its beginning and from its end, up to the damage on either side."""
    rows: dict[tuple[object, ...], tuple[Any, ...]] = {}
    names = [column.name for column in table.columns]
    keys = [names.index(column.name) for column in table.primary_key.columns]
    for direction in ("ASC", "DESC"):
        try:
            for row in _rows(source, table, direction):
                rows.setdefault(tuple(row[key] for key in keys), row)
        except sqlite3.Error as error:
            log.warning("part of a table can't be read", extra={"table": table.name, "error": str(error)})
        else:
            break
    return _insert(engine, table, list(rows.values()))


def _rows(source: sqlite3.Connection, table: sa.Table, direction: str) -> Iterator[tuple[Any, ...]]:
    columns = ", ".join(f'"{column.name}"' for column in table.columns)
    order = ", ".join(f'"{column.name}" {direction}' for column in table.primary_key.columns)
    steps = 0

    def too_long() -> int:
        nonlocal steps
        steps += 1
        return int(steps > LOOK_S * 1000)  # some ten thousand instructions a millisecond

    source.set_progress_handler(too_long, _STEPS)
    yield from source.execute(f'SELECT {columns} FROM "{table.name}" ORDER BY {order}')


def _insert(engine: sa.Engine, table: sa.Table, rows: Sequence[tuple[Any, ...]]) -> int:
    """Write rows; one that refers to what is lost, or makes no sense, is left out."""
    places = ", ".join("?" * len(table.columns))
    statement = f'INSERT OR IGNORE INTO "{table.name}" VALUES ({places})'
    copied = 0
    with engine.connect().execution_options(**{WRITE: True}) as connection, connection.begin():
        for row in rows:
            with suppress(sa.exc.IntegrityError, sa.exc.InterfaceError):
                copied += connection.exec_driver_sql(statement, row).rowcount
    return copied
