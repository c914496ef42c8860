"""A database in memory for a daemon that can't use its file now: it watches and tells, keeps nothing, and asks again.

A memory card that has died is read-only from then on, and every start finds it so. A daemon that gave up there would
leave the vessels unwatched. When the file can be used again the process ends, to be started upon it.
"""

import logging
from pathlib import Path

from ullage.adapters.errors import StoreError
from ullage.daemon.clock import Clock, SystemClock
from ullage.daemon.store.engine import parse_url, sqlite_path
from ullage.daemon.store.settings import StoreSettings
from ullage.daemon.store.store import Store
from ullage.daemon.ticker import Ticker

log = logging.getLogger(__name__)

ASK_S = 5.0
"""Pause between tries to use the file."""
NO_DATABASE = "no-database"
"""The alarm that nothing is kept."""
DAMAGED = "database-damaged"
"""The alarm that damage was found in the file."""


def open_file(settings: StoreSettings, busy_timeout_s: float | None = None) -> Store:
    """Return the store of the configuration, able to write.

    Raises
    ------
    StoreError
        If it can't be used.
    """
    store = Store.open(
        settings.url,
        on_corrupt="move_aside",
        max_pending=settings.max_pending,
        busy_timeout_s=settings.busy_timeout_s if busy_timeout_s is None else busy_timeout_s,
    )
    try:
        if sqlite_path(parse_url(settings.url)) is not None:
            with (
                store.transaction() as connection
            ):  # a file on a dead card opens all the same; this is written
                connection.exec_driver_sql("PRAGMA user_version = 0")
    except StoreError:
        store.close()
        raise
    return store


def serves(error: StoreError, settings: StoreSettings) -> bool:
    """Tell whether a database in memory is of use: the file was in use before and may be again."""
    file = sqlite_path(parse_url(settings.url))
    return file is not None and error.retryable and _exists(file)


def _exists(file: Path) -> bool:
    try:
        return file.exists()
    except OSError:  # the card is gone
        return True


class Makeshift:
    """The database in memory, and the question whether the file can be used again.

    Parameters
    ----------
    settings
        Of the file.
    why
        What was wrong with it.
    """

    def __init__(self, settings: StoreSettings, why: str, clock: Clock | None = None) -> None:
        self.store = Store.open("sqlite://", max_pending=settings.max_pending)
        self.why = why
        self.over = False
        """Whether the file can be used again."""
        self._settings = settings
        self._asking = Ticker("database", ASK_S, self._ask, clock or SystemClock())
        self._asking.start()
        log.critical("the database can't be used, nothing is kept", extra={"error": why})

    def text(self) -> str:
        """Return the alarm's words."""
        return (
            f"The database can't be used: {self.why}. Vessels are watched and alarms sent, but nothing is kept: a "
            "restart forgets it, and what you acknowledge now will ask again. Check the card and the disk."
        )

    def stop(self) -> None:
        """Ask no more."""
        self._asking.stop()

    def _ask(self) -> None:
        try:
            open_file(self._settings, busy_timeout_s=1.0).close()
        except StoreError:
            return
        log.warning("the database can be used again")
        self.over = True
