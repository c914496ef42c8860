"""Room on the database's disk: below a floor single readings are the first to be given up, so that alarms never are.

Measured by what others may still write there, before each commit. Below the floor new readings wait in memory, as they do
while a database refuses: all of them are written once there is room, and when more wait than may, the oldest are lost.
Alarms, journal, messages and the state of detectors are written on, which is little: the floor is there for them.

What has been recorded stays. Dropping the oldest readings would seldom help: what fills a small disk is another program,
which would take that room as well, and the room that a database frees it keeps for itself.
"""

import math
import shutil
from pathlib import Path

from ullage.daemon.alarms import AlarmDesk

NEARLY_FULL = "disk-nearly-full"
"""The alarm that readings wait for room."""
MARGIN = 0.1
"""By how much more than the floor has to be free before readings are written again: else one commit would end it."""
MB = 1e6


class Room:
    """The free space beside a file.

    Parameters
    ----------
    file
        The database; None where it is in memory or on a server, whose room is the server's affair.
    floor_mb
        Free space in millions of bytes below which readings wait; 0 asks for none. May be changed.
    """

    def __init__(self, file: Path | None, floor_mb: float) -> None:
        self.floor_mb = floor_mb
        self._folder = None if file is None else file.absolute().parent
        self._short = False

    def free_mb(self) -> float:
        """Return what may still be written, in millions of bytes; infinite if that can't be known."""
        if self._folder is None:
            return math.inf
        try:
            return shutil.disk_usage(self._folder).free / MB
        except OSError:  # the disk is gone: writing will say so
            return math.inf

    def enough(self) -> bool:
        """Look, and tell whether readings may be written."""
        wanted_mb = self.floor_mb * (1 + MARGIN) if self._short else self.floor_mb
        self._short = self.free_mb() < wanted_mb
        return not self._short

    def look(self, desk: AlarmDesk) -> bool:
        """Raise the alarm or end it, and tell whether readings may be written."""
        enough = self.enough()
        desk.report(NEARLY_FULL, not enough, "There is room for readings again." if enough else self._text())
        return enough

    def _text(self) -> str:
        return (
            f"The disk of the database ({self._folder}) has {math.floor(self.free_mb())} MB free, less than the "
            f"{self.floor_mb:g} MB of store.free_space_floor_mb. Vessels are watched, and alarms, journal and messages "
            "are still written; readings wait in memory, where a power cut would cost them, and after some days the "
            "oldest give way. Make room: delete what is not needed (`du -xh / | sort -h | tail` shows what takes it). "
            "Then they are written by themselves."
        )
