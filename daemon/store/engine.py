"""From a URL to a connection that behaves: transactions that hold DDL, settings for a memory card, plain errors."""

import os
from contextlib import suppress
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.pool import StaticPool

from ullage.adapters.errors import StoreError

WRITE = "ullage_write"
"""Execution option of a connection that is going to write."""

_SQLITE_SETTINGS = (
    "journal_mode=WAL",
    "synchronous=FULL",  # NORMAL may roll back acknowledged commits on a power cut
    "foreign_keys=ON",
    "temp_store=MEMORY",
    "cache_size=-2000",
    "wal_autocheckpoint=250",  # a file that no longer grows costs a third of one that does: it reaches 1 MB, not 4
    "journal_size_limit=4194304",
)


def parse_url(text: str) -> URL:
    """Return the URL with the driver that this program installs.

    Raises
    ------
    StoreError
        If it can't be read; the text is not repeated since it may hold a password.
    """
    try:
        url = make_url(text)
    except (sa.exc.ArgumentError, ValueError):
        hint = 'write it as "sqlite:///ullage.db" or "postgresql://user@host/database"'
        raise _permanent(StoreError("store.url", "is not a database URL", hint)) from None
    if url.drivername in ("postgresql", "postgres"):
        url = url.set(drivername="postgresql+psycopg")
    return url


def sqlite_path(url: URL) -> Path | None:
    """Return the database file, or None for a database in memory or on a server."""
    if url.get_backend_name() != "sqlite" or not url.database or url.database == ":memory:":
        return None
    return Path(url.database)


def label(url: URL) -> str:
    """Return words for the database that hold no user, no password and no option."""
    path = sqlite_path(url)
    if path is not None:
        return str(path)
    if url.get_backend_name() == "sqlite":
        return "database in memory"
    place = f" at {url.host}" if url.host else ""
    return f"{url.get_backend_name()} database {url.database or ''}{place}"


def make_engine(url: URL, *, read_only: bool, busy_timeout_s: float) -> sa.Engine:
    """Return an engine for `url`; nothing is opened yet, but a new SQLite file is made with mode 0600.

    Raises
    ------
    StoreError
        If the file can't be made or the driver is missing.
    """
    options: dict[str, Any] = {"hide_parameters": True}
    path = sqlite_path(url)
    if path is not None:
        _make_private(path, read_only=read_only)
        if read_only:
            url = url.set(database=f"file:{_escape(path)}", query={"mode": "ro", "uri": "true"})
        options["connect_args"] = {"timeout": busy_timeout_s}
    elif url.get_backend_name() == "sqlite":
        options["poolclass"] = StaticPool
        options["connect_args"] = {"check_same_thread": False}
    else:
        options |= {"pool_pre_ping": True, "pool_size": 10}  # one for each thread that may ask at once
        if url.get_backend_name() == "postgresql":
            options["connect_args"] = _patience(url, busy_timeout_s)
    try:
        engine = sa.create_engine(url, **options)
    except sa.exc.NoSuchModuleError:
        kind = url.drivername
        raise _permanent(
            StoreError("store.url", f"no driver for {kind}", "use sqlite or postgresql")
        ) from None
    except ModuleNotFoundError as error:
        hint = "install it with: pip install 'ullage[postgres]'"
        raise _permanent(StoreError(label(url), f"needs the package {error.name}", hint)) from None
    if engine.dialect.name == "sqlite":
        _tame_sqlite(engine, read_only=read_only)
    return engine


def _patience(url: URL, seconds: float) -> dict[str, int]:
    """Return how long to wait for a server that is cut off; by itself it would be a quarter of an hour."""
    wanted = {"connect_timeout": max(2, round(seconds)), "tcp_user_timeout": round(seconds * 1000)}
    return {name: value for name, value in wanted.items() if name not in url.query}


def _escape(path: Path) -> str:
    return str(path.absolute()).replace("%", "%25").replace("?", "%3f").replace("#", "%23")


def _make_private(path: Path, *, read_only: bool) -> None:
    if read_only:
        if not path.is_file():
            raise StoreError(
                str(path), "there is no database yet", "start `ullage run` once, or check store.url"
            )
        return
    try:
        with suppress(FileExistsError):
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    except OSError as error:
        hint = "check that the folder exists and can be written"
        raise StoreError(str(path), f"can't be made: {error.strerror}", hint) from None


def _tame_sqlite(engine: sa.Engine, *, read_only: bool) -> None:
    """Take transactions away from the driver, which would commit before every DDL statement."""

    def on_connect(connection: Any, _record: object) -> None:
        connection.isolation_level = None
        if read_only:
            return
        # auto_vacuum only counts before the first page is written, and would wait for another program's lock later
        if connection.execute("PRAGMA page_count").fetchone() == (0,):
            connection.execute("PRAGMA auto_vacuum=INCREMENTAL")
        for setting in _SQLITE_SETTINGS:
            connection.execute(f"PRAGMA {setting}")

    def on_begin(connection: sa.Connection) -> None:
        writes = connection.get_execution_options().get(WRITE, False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    event.listen(engine, "connect", on_connect)
    event.listen(engine, "begin", on_begin)


def translate(error: Exception, url: URL, doing: str) -> StoreError:
    """Return a database error as one plain sentence without secrets.

    Parameters
    ----------
    error
        What SQLAlchemy raised.
    url
        The database; its secrets are cut out of the sentence.
    doing
        What was tried, as in "writing readings".
    """
    origin = getattr(error, "orig", None) or error
    detail = " ".join(str(origin).split())
    hidden = [str(url.password)] if url.password else []
    hidden += [str(v) for k, v in url.query.items() if k not in ("sslmode", "mode", "uri")]
    for secret in hidden:
        detail = detail.replace(secret, "***")
    found = StoreError(label(url), f"{doing} failed: {detail}", _hint(detail))
    return _permanent(found) if is_corruption(error) else found


def is_corruption(error: Exception) -> bool:
    """Return whether the database file itself is damaged."""
    text = str(getattr(error, "orig", None) or error)
    return "malformed" in text or "is not a database" in text


def _hint(detail: str) -> str:
    for sign, hint in (
        ("disk is full", "make room on the disk; meanwhile a daemon keeps what it hears in memory"),
        ("No space left", "make room on the disk; meanwhile a daemon keeps what it hears in memory"),
        (
            "disk I/O error",
            "the disk may be full or failing: make room on it, else look into the system's log",
        ),
        ("is locked", "another program holds the file; it is tried again"),
        ("readonly database", "check who owns the file and that its folder can be written"),
        ("unable to open", "check the path and who may read it"),
        ("malformed", "stop the daemon and restore a backup, or start it again to begin a new file"),
        ("not a database", "check store.url, or restore a backup"),
    ):
        if sign in detail:
            return hint
    return ""


def _permanent(error: StoreError) -> StoreError:
    error.retryable = False
    return error
