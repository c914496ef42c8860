"""`ullage run` on a wall clock that a test sets at any moment; the monotonic clock is left alone, as a machine leaves it.

The difference to the machine's own clock stands in a file of eight bytes. The daemon's one clock and the library that plans
its jobs read it; nothing else in the daemon knows what time it is.
"""

import mmap
import os
import struct
import sys
import time
from datetime import datetime, timedelta, tzinfo
from pathlib import Path

import apscheduler.schedulers.base  # type: ignore[import-untyped]

from ullage.daemon.cli import main
from ullage.daemon.clock import SystemClock

FILE = "TEST_CLOCK"
"""Environment variable with the path of the file."""


def set_clock(path: Path, ahead_s: float) -> None:
    """Set the clock of the daemon that reads this file, now or at its start."""
    with path.open("r+b" if path.exists() else "w+b") as file:
        file.write(struct.pack("d", ahead_s))


def _install(path: Path) -> None:
    with path.open("rb") as file:
        held = mmap.mmap(file.fileno(), 8, prot=mmap.PROT_READ)

    def ahead_s() -> float:
        found: float = struct.unpack("d", held[:8])[0]
        return found

    class Shifted(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override]
            return datetime.now(tz) + timedelta(seconds=ahead_s())

    def wall_s(self: SystemClock) -> float:
        return time.time() + ahead_s()

    SystemClock.wall_s = wall_s  # type: ignore[method-assign]
    apscheduler.schedulers.base.datetime = Shifted


if __name__ == "__main__":
    _install(Path(os.environ[FILE]))
    sys.exit(main(sys.argv[1:]))
