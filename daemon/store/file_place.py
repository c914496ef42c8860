"""Whether a database file still stands where it was opened.

SQLite goes on writing into a file that was deleted or renamed, and all of it is lost with the process: a brewer who clears
a folder while the daemon runs must hear of it while there is something to be saved.
"""

import os
from contextlib import suppress
from pathlib import Path
from typing import TypeAlias

from ullage.adapters.errors import StoreError

_Number: TypeAlias = tuple[int, int]
"""Device and number of a file."""


class FilePlace:
    """Remembers which file was opened under a path.

    Parameters
    ----------
    file
        The database; None for one in memory or on a server, which stands where it stands.
    """

    def __init__(self, file: Path | None) -> None:
        self._file = None if file is None else file.absolute()
        self._opened: _Number | None = None
        self.look()

    def look(self) -> None:
        """Remember the file that stands there now.

        Where nobody has it open, a file system without numbers of its own (FAT, some of FUSE) may give it another.
        """
        if self._file is not None:
            with suppress(OSError):
                self._opened = _number(self._file)

    def require(self) -> None:
        """Go on if that file is still there.

        Raises
        ------
        StoreError
            If there is none, or another. What can't be looked at for another reason is left to who writes it.
        """
        if self._file is None or self._opened is None:
            return
        try:
            found = _number(self._file)
        except FileNotFoundError:
            found = None
        except OSError:
            return
        if found != self._opened:
            raise StoreError(
                str(self._file),
                "was taken away or replaced while it is in use",
                "put it back, or stop and start `ullage run` for a new one",
            )


def _number(file: Path) -> _Number:
    found = os.stat(file)
    return found.st_dev, found.st_ino
