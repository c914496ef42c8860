"""A disk with a volatile write cache, as a process: what was written and not flushed may be lost when power goes.

Serves one file, which a loop device turns into a disk. Commands come line by line on standard input, each answered by a
line: `cut PATH SEED` writes what the disk holds after a power cut; `slow SECONDS` delays flushes; `fail READ WRITE`
(0 or 1 each) refuses with an input/output error; `count` tells writes and flushes.
"""

import errno
import random
import sys
import threading
import time
from pathlib import Path

from tests.faults.fuse_wire import OneFile, Refused, mount

SECTOR = 512
"""What a disk writes whole or not at all."""


class CachedDisk:
    """What the disk shows, what it would hold after a power cut, and the writes between the two."""

    def __init__(self, size: int) -> None:
        self._lock = threading.Lock()
        self._shown = bytearray(size)
        self._held = bytearray(size)
        self._cache: list[tuple[int, bytes]] = []
        self.slow_s = 0.0
        self.failing = (False, False)
        self.writes = self.flushes = 0

    def read(self, offset: int, size: int) -> bytes:
        """Return what was written last."""
        if self.failing[0]:
            raise Refused(errno.EIO)
        with self._lock:
            return bytes(self._shown[offset : offset + size])

    def write(self, offset: int, data: bytes) -> None:
        """Take data into the cache."""
        if self.failing[1]:
            raise Refused(errno.EIO)
        with self._lock:
            self._shown[offset : offset + len(data)] = data
            self._cache.append((offset, data))
            self.writes += 1

    def flush(self) -> None:
        """Make everything last that was written so far."""
        if self.slow_s:
            time.sleep(self.slow_s)
        if self.failing[1]:
            raise Refused(errno.EIO)
        with self._lock:
            for offset, data in self._cache:
                self._held[offset : offset + len(data)] = data
            self._cache.clear()
            self.flushes += 1

    def cut(self, path: Path, chance: random.Random) -> int:
        """Write the image that a power cut leaves; return how many cached sectors it cost.

        Of what was in the cache any part may have reached the disk, in any order: each sector is kept with a
        probability that is drawn anew for each cut, none and all included.
        """
        kept = chance.choice((0.0, 1.0, chance.random()))
        lost = 0
        with self._lock:
            image = bytearray(self._held)
            for offset, data in self._cache:
                for start in range(0, len(data), SECTOR):
                    if chance.random() < kept:
                        image[offset + start : offset + start + SECTOR] = data[start : start + SECTOR]
                    else:
                        lost += 1
        path.write_bytes(image)
        return lost


def _obey(disk: CachedDisk, words: list[str]) -> str:
    if words[0] == "cut":
        return str(disk.cut(Path(words[1]), random.Random(words[2])))
    if words[0] == "slow":
        disk.slow_s = float(words[1])
    elif words[0] == "fail":
        disk.failing = (words[1] == "1", words[2] == "1")
    return f"{disk.writes} {disk.flushes}"


def main(place: Path, size: int, image: Path | None) -> None:
    """Mount, say so, and serve until the file system is unmounted."""
    disk = CachedDisk(size)
    if image is not None:
        disk.write(0, image.read_bytes())
        disk.flush()
    handle = mount(place)

    def listen() -> None:
        for line in sys.stdin:
            print(_obey(disk, line.split()), flush=True)

    threading.Thread(target=listen, daemon=True).start()
    print("mounted", flush=True)
    served = OneFile(size, disk.read, disk.write, disk.flush)
    while served.serve_one(handle):
        pass


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3]) if len(sys.argv) > 3 else None)
