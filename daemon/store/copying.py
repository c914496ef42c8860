"""Whole databases from one place to another; a copy is always one SQLite file of mode 0600."""

import os
import sqlite3
from contextlib import suppress
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.engine import URL

from ullage.adapters.errors import StoreError
from ullage.daemon.store import (
    alarm_tables,  # noqa: F401 - their tables are to be copied, too
    batch_tables,  # noqa: F401
    partitioning,
    schema,
)
from ullage.daemon.store.engine import WRITE, label, make_engine, translate
from ullage.daemon.store.migrate import bring_up
from ullage.daemon.store.share_tables import SHARES

_ROWS = 200
"""Rows held in memory at a time."""


def copy_out(engine: sa.Engine, url: URL, target: Path) -> None:
    """Copy a database that may be in use to a new SQLite file, which appears only when it is whole.

    Raises
    ------
    StoreError
        If the target exists or can't be written.
    """
    if target.exists():
        raise _final(StoreError(str(target), "is there already", "choose another name or move it away"))
    part = target.with_name(f"{target.name}.part")
    try:
        if engine.dialect.name == "sqlite":
            vacuum_into(engine, part)
        else:
            _copy_from_server(engine, part)
        rename_whole(part, target)
    except (sqlite3.Error, sa.exc.SQLAlchemyError) as error:
        raise translate(error, url, f"copying to {target}") from None
    except OSError as error:
        raise StoreError(str(target), f"can't be written: {error.strerror}") from None
    finally:
        remove(part)


def vacuum_into(engine: sa.Engine, target: Path) -> None:
    """Write a compact copy of a SQLite database; writers go on meanwhile.

    Raises
    ------
    sqlite3.Error
        If the source is damaged or the disk is full.
    OSError
        If the target can't be made.
    """
    remove(target)
    os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    raw = engine.raw_connection()  # VACUUM refuses to run in a transaction, which the engine would begin
    try:
        raw.cursor().execute("VACUUM INTO ?", (str(target),))
    finally:
        raw.close()


def _copy_from_server(engine: sa.Engine, target: Path) -> None:
    remove(target)
    url = URL.create("sqlite", database=str(target))
    copy = make_engine(url, read_only=False, busy_timeout_s=10)
    try:
        bring_up(copy, label(url), target)
        source = engine.connect().execution_options(isolation_level="REPEATABLE READ")
        with source, copy.connect().execution_options(**{WRITE: True}) as sink, sink.begin():
            copy_tables(source, sink)
        with copy.connect() as connection:
            connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)").all()
    finally:
        copy.dispose()


def copy_tables(source: sa.Connection, sink: sa.Connection) -> None:
    """Copy every row into tables that are empty; both databases are at the same revision."""
    for table in schema.metadata.sorted_tables:
        if table in SHARES:  # they tell of the daemons that run here
            continue
        if table is schema.reading_block and (parting := partitioning.of(sink)) is not None:
            parting.ensure(sink, source.scalars(sa.select(table.c.start_ms).distinct()).all())
        query = sa.select(table).order_by(*table.primary_key.columns)
        for rows in source.execution_options(yield_per=_ROWS).execute(query).mappings().partitions():
            sink.execute(table.insert(), [dict(row) for row in rows])
        if sink.dialect.name == "postgresql":
            _advance_key(sink, table)


def _advance_key(sink: sa.Connection, table: sa.Table) -> None:
    """Let keys that the server hands out begin after those that were brought along."""
    for column in table.primary_key.columns:
        if column.identity is not None:
            highest = sink.scalar(sa.select(sa.func.max(column)))
            sequence = sa.func.pg_get_serial_sequence(table.name, column.name)
            if highest is not None:
                sink.execute(sa.select(sa.func.setval(sequence, highest)))


def rename_whole(part: Path, target: Path) -> None:
    """Give a file its name once all of it is on the disk.

    Raises
    ------
    OSError
        If the disk refuses.
    """
    _sync(part)
    os.rename(part, target)
    _sync(target.parent)


def remove(file: Path) -> None:
    """Remove a SQLite file with its journal, if it is there."""
    for part in ("", "-wal", "-shm"):
        with suppress(FileNotFoundError):
            Path(f"{file}{part}").unlink()


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _final(error: StoreError) -> StoreError:
    error.retryable = False
    return error
