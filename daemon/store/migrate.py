"""Bring the database to the revision that this program works with."""

import logging
import os
import sqlite3
from pathlib import Path

import sqlalchemy as sa

from ullage.adapters.errors import StoreError
from ullage.daemon.store import hypertable, schema
from ullage.daemon.store.engine import WRITE

log = logging.getLogger(__name__)

_LOCK = 0x756C6C61
"""Key of the lock by which two programs that start at once take turns on PostgreSQL."""


def stored_revision(connection: sa.Connection) -> str | None:
    """Return the revision noted in the database; None if there is none."""
    if not sa.inspect(connection).has_table(schema.revision.name):
        return None
    found: str | None = connection.scalar(sa.select(schema.revision.c.version_num))
    return found


def refuse_unknown(found: str, where: str) -> None:
    """Raise if `found` is not a revision that this program knows.

    Raises
    ------
    StoreError
        If the database was made by a newer or another program.
    """
    if found <= schema.HEAD and found.isdigit():
        return
    error = StoreError(
        where,
        f"has schema {found}, this program knows up to {schema.HEAD}",
        "install the newer ullage again, or restore a backup made by this one",
    )
    error.retryable = False
    raise error


def refuse_older(engine: sa.Engine, where: str) -> None:
    """Raise unless the database is ready to be read as it stands.

    Raises
    ------
    StoreError
        If its schema is not this program's.
    """
    with engine.connect() as connection:
        found = stored_revision(connection)
    if found == schema.HEAD:
        return
    if found is not None:
        refuse_unknown(found, where)
    raise StoreError(where, "has not been set up by this version yet", "start `ullage run` once")


def bring_up(engine: sa.Engine, where: str, file: Path | None) -> None:
    """Make or migrate the tables, in one transaction; a file is copied first.

    Alembic is imported only if the stored revision is an older one: it costs more memory and time than the rest of
    the store together.

    Raises
    ------
    StoreError
        If the database is newer than the program, or holds tables of something else.
    """
    with engine.connect() as connection:
        found = stored_revision(connection)
    if found == schema.HEAD:
        return
    if found is not None:
        refuse_unknown(found, where)
        if file is not None:
            _copy_first(engine, file, found)
    with engine.connect().execution_options(**{WRITE: True}) as connection, connection.begin():
        if connection.dialect.name == "postgresql":
            connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_LOCK)))
        found = stored_revision(connection)  # another program may have been faster
        if found is None:
            _make(connection, where)
        elif found != schema.HEAD:
            upgrade(connection)
            log.info("schema migrated", extra={"from_revision": found, "to_revision": schema.HEAD})


def _make(connection: sa.Connection, where: str) -> None:
    import ullage.daemon.store.alarm_tables
    import ullage.daemon.store.batch_tables
    import ullage.daemon.store.share_tables  # noqa: F401 - they add their tables to `metadata`

    known = set(schema.metadata.tables)
    strangers = sorted(known & set(sa.inspect(connection).get_table_names()))
    if strangers:
        error = StoreError(
            where,
            f"holds a table {strangers[0]} that ullage did not make",
            "give store.url a database of its own",
        )
        error.retryable = False
        raise error
    if connection.dialect.name == "postgresql" and hypertable.version(connection) is not None:
        hypertable.make(connection)
    schema.metadata.create_all(connection)  # those that are not there yet
    schema.revision.create(connection)
    connection.execute(schema.revision.insert().values(version_num=schema.HEAD))


def upgrade(connection: sa.Connection, revision: str = schema.HEAD) -> None:
    """Run the revisions up to `revision` inside the transaction of `connection`."""
    from alembic import command  # 40 MB that most starts never need
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, revision)


def _copy_first(engine: sa.Engine, file: Path, found: str) -> None:
    from ullage.daemon.store.copying import vacuum_into  # it needs this module too

    copy = file.with_name(f"{file.name}.before-{schema.HEAD}")
    part = copy.with_name(f"{copy.name}.part")
    try:
        vacuum_into(engine, part)
        os.replace(part, copy)
    except (OSError, sqlite3.Error) as error:
        detail = f"can't be copied before its schema is changed: {error}"
        raise StoreError(str(file), detail, "make room beside it and start again") from None
    log.info("database copied before migrating", extra={"copy": str(copy), "from_revision": found})
