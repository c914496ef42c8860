"""What `backup` and `restore` do: a copy of a database in use, and the way back."""

import sqlite3
from contextlib import closing
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.engine import URL

from ullage.adapters.errors import StoreError
from ullage.daemon.store import copying, damage, schema
from ullage.daemon.store.engine import is_corruption, label, make_engine, parse_url, sqlite_path, translate
from ullage.daemon.store.migrate import refuse_unknown, stored_revision
from ullage.daemon.store.readings import fold
from ullage.daemon.store.share_tables import SHARES
from ullage.daemon.store.store import Store


def backup(url: str, path: str | Path) -> None:
    """Copy the database to a new SQLite file while the daemon goes on; what it has not committed is not in it.

    Raises
    ------
    StoreError
        If there is no database, `path` exists, or the copy is not whole.
    """
    target = Path(path)
    with Store.open(url, read_only=True) as store:
        store.backup(target)
    fault = _fault(target)
    if fault is not None:
        target.unlink()
        raise _final(StoreError(label(parse_url(url)), f"can't be copied whole: {fault}"))


def restore(path: str | Path, url: str) -> Path | None:
    """Put a backup in the place of the database, and return where the database that stood there is kept now.

    The daemon must be stopped. A backup of an older schema is brought up to this program's. A database on a server
    must hold nothing yet.

    Raises
    ------
    StoreError
        If the backup is damaged or no backup, either side was made by a newer program, or the database is in use.
    """
    source, target = Path(path), parse_url(url)
    _require_backup(source)
    file = sqlite_path(target)
    if file is None:
        _into_server(source, url)
        return None
    part = file.with_name(f"{file.name}.restoring")
    try:
        _working_copy(source, part)
        aside = _set_aside(target, file) if file.exists() else None
        copying.rename_whole(part, file)
    except OSError as error:
        raise StoreError(str(file), f"can't be written: {error.strerror}") from None
    finally:
        copying.remove(part)
    return aside


def _require_backup(source: Path) -> None:
    if not source.is_file():
        raise _final(StoreError(str(source), "there is no such file"))
    revision = _revision(source)
    if revision is None:
        raise _final(StoreError(str(source), "is no backup of ullage's database"))
    refuse_unknown(revision, str(source))
    fault = _fault(source)
    if fault is not None:
        raise _final(StoreError(str(source), f"is damaged: {fault}", "take another backup"))


def _revision(file: Path) -> str | None:
    url = URL.create("sqlite", database=str(file))
    engine = make_engine(url, read_only=True, busy_timeout_s=10)
    try:
        with engine.connect() as connection:
            return stored_revision(connection)
    except sa.exc.SQLAlchemyError as error:
        raise translate(error, url, "reading") from None
    finally:
        engine.dispose()


def _fault(file: Path) -> str | None:
    url = URL.create("sqlite", database=str(file))
    engine = make_engine(url, read_only=True, busy_timeout_s=10)
    try:
        with engine.connect() as connection:
            return damage.first_fault(connection, thorough=True)
    except sa.exc.SQLAlchemyError as error:
        return translate(error, url, "reading").detail
    finally:
        engine.dispose()


def _working_copy(source: Path, part: Path) -> None:
    """Copy the backup beside its destination and bring the copy up to date; the backup stays as it is."""
    url = URL.create("sqlite", database=str(source))
    engine = make_engine(url, read_only=True, busy_timeout_s=10)
    try:
        copying.vacuum_into(engine, part)
    except sqlite3.Error as error:
        raise translate(error, url, f"copying to {part}") from None
    finally:
        engine.dispose()
    Store.open(URL.create("sqlite", database=str(part)).render_as_string()).close()


def _set_aside(url: URL, file: Path) -> Path:
    try:
        revision = _revision(file)
    except StoreError as error:
        if error.retryable:
            raise
        revision = None  # damaged: that is what backups are for
    if revision is not None:
        refuse_unknown(revision, str(file))
    try:
        with closing(sqlite3.connect(file, timeout=1, isolation_level=None)) as connection:
            # leaving write-ahead logging needs the file to oneself, and brings the log home
            connection.execute("PRAGMA journal_mode=DELETE").fetchall()
    except sqlite3.Error as error:
        if not is_corruption(error):
            found = translate(error, url, "taking the database over")
            raise StoreError(found.subject, found.detail, "stop the daemon first") from None
    return damage.move_aside(file, "replaced")


def _into_server(source: Path, url: str) -> None:
    target = parse_url(url)
    copy = Path(f"{source}.restoring")
    try:
        _working_copy(source, copy)
        copy_engine = make_engine(URL.create("sqlite", database=str(copy)), read_only=True, busy_timeout_s=10)
        try:
            with Store.open(url) as store, store.transaction() as sink, copy_engine.connect() as origin:
                for table in set(schema.metadata.sorted_tables) - set(SHARES):
                    if sink.scalar(sa.select(sa.func.count()).select_from(table)):
                        detail = f"holds rows in {table.name} already"
                        raise _final(StoreError(label(target), detail, "restore into an empty database"))
                copying.copy_tables(origin, sink)
                while fold(sink):  # a server keeps no row of all vessels
                    pass
        finally:
            copy_engine.dispose()
    except OSError as error:
        raise StoreError(str(copy), f"can't be written: {error.strerror}") from None
    finally:
        copying.remove(copy)


def _final(error: StoreError) -> StoreError:
    error.retryable = False
    return error
