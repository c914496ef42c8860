"""What a process has written to a database's files, by strace's log, and what of it a power cut leaves."""

import random
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

SECTOR = 512
"""What a disk writes whole or not at all."""
_CALL = re.compile(r"^(\d+) +(?:(\w+)\((.*)|<\.\.\. (\w+) resumed>(.*))$")
_FILE = re.compile(r"^\d+<([^>]*)>(?:, )?(.*)", re.DOTALL)


@dataclass
class _File:
    held: bytearray = field(default_factory=bytearray)
    """Flushed."""
    since: list[tuple[int, bytes | None]] = field(default_factory=list)
    """Not flushed: place and bytes, or the new size and None."""

    def flush(self) -> None:
        for place, data in self.since:
            _put(self.held, place, data)
        self.since.clear()


class WrittenFiles:
    """A database and its journal as the disk holds them."""

    def __init__(self, database: Path) -> None:
        self._paths = (str(database), f"{database}-wal")
        self._files = {path: _File() for path in self._paths}

    def cut(self, log: Path, chance: random.Random) -> int:
        """Put on disk what a power cut leaves after the calls of a log; return the sectors that it cost.

        Each write since the last flush is kept by sectors, with a probability drawn anew for each cut.
        """
        for name, path, rest in _calls(log):
            file = self._files.get(path)
            if file is None:
                continue
            if name == "pwrite64":
                data, _size, place = rest.rsplit(", ", 2)
                file.since.append((int(place), bytes.fromhex(data.strip('"').replace("\\x", ""))))
            elif name == "ftruncate":
                file.since.append((int(rest), None))
            else:
                file.flush()
        kept = chance.choice((0.0, 1.0, chance.random()))
        lost = sum(_lose(file, kept, chance) for file in self._files.values())
        for path, file in self._files.items():
            Path(path).write_bytes(file.held)
        Path(f"{self._paths[0]}-shm").unlink(missing_ok=True)  # lives in memory alone
        return lost


def _lose(file: _File, kept: float, chance: random.Random) -> int:
    lost = 0
    for place, data in file.since:
        for start in range(0, 1 if data is None else len(data), SECTOR):
            if chance.random() < kept:
                _put(file.held, place + start, None if data is None else data[start : start + SECTOR])
            else:
                lost += 1
    file.since.clear()
    return lost


def _put(content: bytearray, place: int, data: bytes | None) -> None:
    end = place if data is None else place + len(data)
    content.extend(bytes(max(0, end - len(content))))
    if data is None:
        del content[place:]
    else:
        content[place:end] = data


def _calls(log: Path) -> Iterator[tuple[str, str, str]]:
    """Yield name, file and further arguments of calls that succeeded, a flush when it has returned."""
    begun: dict[str, str] = {}
    for line in log.read_text().splitlines():
        match = _CALL.match(line)
        if match is None:
            continue  # a signal, an end
        thread, name, rest, resumed, more = match.groups()
        if resumed:
            name, rest = resumed, begun.pop(thread, "") + more
        elif rest.endswith("<unfinished ...>"):
            begun[thread] = rest.removesuffix("<unfinished ...>").rstrip()
            continue
        arguments, _, answer = rest.rpartition(" = ")
        if answer.startswith(("-", "?")):
            continue
        file = _FILE.match(arguments.rstrip().removesuffix(")"))
        if file is not None:
            yield (
                name,
                bytes.fromhex(file[1].replace("\\x", "")).decode() if "\\x" in file[1] else file[1],
                file[2],
            )
