"""One daemon to a database file, by a lock that the system lets go of itself when the process ends, however it ends.

The lock is on a file beside the database: closing any handle of the database itself would let go of the locks by which
SQLite keeps its transactions apart.
"""

import errno
import fcntl
import logging
import os
from pathlib import Path

from ullage.adapters.errors import StoreError
from ullage.daemon.store.engine import parse_url, sqlite_path

log = logging.getLogger(__name__)

_NO_LOCKS = (errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS)
"""What file systems say that know no locks."""


_DYING = (errno.EROFS, errno.EIO, errno.ENOSPC)


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
        file = database.with_name(f"{database.name}.lock")
        handle = self._open(file, database)
        if handle is None:
            return
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
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
