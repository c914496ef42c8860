"""One daemon to a database file, by a lock that the system lets go of itself when the process ends, however it ends.

The lock is on a file beside the database: closing any handle of the database itself would let go of the locks by which
SQLite keeps its transactions apart.
"""

import errno
import fcntl
import logging
import os
import time
from pathlib import Path

from ullage.adapters.errors import StoreError
from ullage.daemon.store.engine import parse_url, sqlite_path

log = logging.getLogger(__name__)

_NO_LOCKS = (errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS)
"""What file systems say that know no locks."""


_DYING = (errno.EROFS, errno.EIO, errno.ENOSPC)


_PATIENCE_S, _PAUSE_S = 0.5, 0.05
"""How long a lock is asked for: whoever only looks holds it for a moment."""


def is_held(url: str) -> bool | None:
    """Tell whether a daemon has the database of a URL; None where that can't be seen.

    Nobody can see it of a server, of a database in memory, or of a lock that others may not open.
    """
    database = sqlite_path(parse_url(url))
    if database is None:
        return None
    try:  # for writing, as a daemon does: where that fails, it may run without
        handle = os.open(_lock_of(database), os.O_RDWR | os.O_CLOEXEC)
    except FileNotFoundError:
        return False if os.access(database.parent, os.W_OK) else None
    except OSError:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return None
    finally:
        os.close(handle)
    return False


def _lock_of(database: Path) -> Path:
    return database.with_name(f"{database.name}.lock")


def _take(handle: int) -> None:
    """Lock a file for this process alone.

    Raises
    ------
    BlockingIOError
        If another process holds it, and not only for a look.
    """
    end_s = time.monotonic() + _PATIENCE_S
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() >= end_s:
                raise
            time.sleep(_PAUSE_S)
        else:
            return


class FileLock:
    """Holds the database file of a URL for this process; nothing is locked for a server or a database in memory.

    Raises
    ------
    StoreError
        If another process holds it, or the file of the lock can't be made.
    """

    def __init__(self, url: str) -> None:
        self._handle: int | None = None
        database = sqlite_path(parse_url(url))
        if database is None:
            return
        file = _lock_of(database)
        handle = self._open(file, database)
        if handle is None:
            return
        try:
            _take(handle)
        except BlockingIOError:
            os.close(handle)
            taken = StoreError(
                str(database),
                "another `ullage run` uses this database",
                "stop that one, or give this one a store.url of its own",
            )
            taken.retryable = False
            raise taken from None
        except OSError as error:
            if error.errno not in _NO_LOCKS:
                os.close(handle)
                raise StoreError(str(file), f"can't be locked: {error.strerror}") from None
            log.warning("the database's folder knows no locks; see to it that one daemon alone uses it")
        self._handle = handle

    @staticmethod
    def _open(file: Path, database: Path) -> int | None:
        """Return a handle of the lock's file; None where a dying card, which the store will meet, lets none be made."""
        try:
            return os.open(file, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            if error.errno in _DYING and database.exists():
                log.warning("the database can't be locked", extra={"error": error.strerror})
                return None
            hint = "check that the folder exists and can be written"
            raise StoreError(str(file), f"can't be made: {error.strerror}", hint) from None

    def release(self) -> None:
        """Let another process have the database. The file stays, empty, for the next."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None
