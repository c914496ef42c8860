"""Open a database: look through it, bring its tables up, or move a damaged file aside and begin a new one."""

import logging
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import sqlalchemy as sa
from sqlalchemy.engine import URL

from ullage.adapters.errors import StoreError
from ullage.daemon.store import damage
from ullage.daemon.store.engine import (
    is_corruption,
    label,
    make_engine,
    parse_url,
    sqlite_path,
    translate,
)
from ullage.daemon.store.migrate import bring_up, refuse_older
from ullage.daemon.store.salvage import salvage

log = logging.getLogger(__name__)

OnCorrupt = Literal["refuse", "move_aside"]


@dataclass(frozen=True, slots=True)
class Opened:
    """A database ready for use."""

    engine: sa.Engine
    url: URL
    moved_aside: Path | None = None
    """Where a damaged file was put."""
    salvaged: int = 0
    """Rows that could be read of it, and are in the new one."""


def open_database(text: str, *, read_only: bool, on_corrupt: OnCorrupt, busy_timeout_s: float) -> Opened:
    """Return an engine whose tables are there and up to date.

    Raises
    ------
    StoreError
        If the database is out of reach, damaged (and `on_corrupt` is "refuse"), newer than the program, or not
        made by it.
    """
    url = parse_url(text)
    file = sqlite_path(url)
    replace = file is not None and not read_only and on_corrupt == "move_aside"
    try:
        engine = _attempt(url, read_only=read_only, busy_timeout_s=busy_timeout_s, look=replace)
        if replace and file is not None:
            damage.cleared(file)
        return Opened(engine, url)
    except sa.exc.SQLAlchemyError as error:
        found = translate(error, url, "opening the database")
        if file is None or read_only or on_corrupt == "refuse" or not is_corruption(error):
            raise found from None
    return _begin_anew(url, file, found.detail, busy_timeout_s)


def _attempt(url: URL, *, read_only: bool, busy_timeout_s: float, look: bool) -> sa.Engine:
    engine = make_engine(url, read_only=read_only, busy_timeout_s=busy_timeout_s)
    try:
        file = sqlite_path(url)
        if look and file is not None:
            _look_through(engine, file)
        if read_only:
            refuse_older(engine, label(url))
        else:
            bring_up(engine, label(url), sqlite_path(url))
    except BaseException:
        engine.dispose()
        raise
    return engine


def _look_through(engine: sa.Engine, file: Path) -> None:
    """Raise if damage is found in a file that is worth a look; a suspected one is looked through thoroughly."""
    suspected = damage.suspected(file)
    if not suspected and not damage.worth_checking(file):
        return
    with engine.connect() as connection:
        fault = damage.first_fault(connection, thorough=suspected)
    if fault is not None:
        raise sa.exc.DatabaseError(None, None, Exception(f"database file is malformed: {fault}"))


def _begin_anew(url: URL, file: Path, fault: str, busy_timeout_s: float) -> Opened:
    try:
        aside = damage.move_aside(file, "damaged")
    except OSError as error:
        detail = f"is damaged and can't be moved aside: {error.strerror}"
        raise StoreError(str(file), detail, "move it away by hand and start again") from None
    log.error("damaged database moved aside", extra={"moved_to": str(aside), "fault": fault})
    try:
        engine = _attempt(url, read_only=False, busy_timeout_s=busy_timeout_s, look=False)
        saved = salvage(aside, engine)
    except sa.exc.SQLAlchemyError as error:
        raise translate(error, url, "beginning a new database") from None
    damage.cleared(file)
    log.warning("new database begun", extra={"rows_salvaged": saved})
    return Opened(engine, url, aside, saved)
