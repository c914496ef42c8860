"""Readings that wait in memory for the next commit: bounded, safe between threads, oldest dropped first."""

import math
import threading
from array import array
from collections import deque
from collections.abc import Sequence

import numpy as np

from ullage.adapters.reading import Reading
from ullage.daemon.store.columns import KINDS, Column, merge, to_ms
from ullage.detectors.samples import Kind

Channel = tuple[str, Kind]
_SEGMENT = 4096
"""Readings in a segment: what is dropped at a time when the store has refused for too long."""


class _Segment:
    __slots__ = ("columns", "count")

    def __init__(self) -> None:
        self.columns: dict[Channel, tuple[array[int], array[float]]] = {}
        self.count = 0

    def add(self, channel: Channel, time_ms: int, value: float) -> None:
        column = self.columns.get(channel)
        if column is None:
            column = self.columns[channel] = (array("q"), array("d"))
        column[0].append(time_ms)
        column[1].append(value)
        self.count += 1


class Pending:
    """Readings in the order of arrival, in segments.

    Parameters
    ----------
    limit
        Readings to hold at most (16 bytes each).
    """

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._lock = threading.Lock()
        self._waiting: deque[_Segment] = deque()
        self._taken: deque[_Segment] = deque()
        self._count = 0
        self._dropped = 0

    @property
    def count(self) -> int:
        """Readings not yet committed."""
        return self._count

    @property
    def dropped(self) -> int:
        """Readings lost since the start because the store refused for too long."""
        return self._dropped

    def add(self, readings: Sequence[Reading]) -> None:
        """Take readings: all of them or, on an error, none.

        Raises
        ------
        ValueError
            If one is a journal entry, has no finite value or no time.
        """
        rows = [_row(reading) for reading in readings]
        with self._lock:
            for channel, time_ms, value in rows:
                if not self._waiting or self._waiting[-1].count >= _SEGMENT:
                    self._waiting.append(_Segment())
                self._waiting[-1].add(channel, time_ms, value)
            self._count += len(rows)
            self._bound()

    def restamp(self, first_ms: int, last_ms: int, by_ms: int) -> int:
        """Shift the readings from `first_ms` to `last_ms` that no commit has taken; return how many."""
        count = 0
        with self._lock:
            for segment in self._waiting:
                for times, _ in segment.columns.values():
                    for place, time_ms in enumerate(times):
                        if first_ms <= time_ms <= last_ms:
                            times[place] = time_ms + by_ms
                            count += 1
        return count

    def take(self) -> dict[Channel, Column]:
        """Return everything as columns, to be settled by `committed` or `give_back`."""
        with self._lock:
            self._taken, self._waiting = self._waiting, deque()
            return _columns(self._taken)

    def committed(self) -> int:
        """Forget what was taken; return how many readings it was."""
        with self._lock:
            count = sum(segment.count for segment in self._taken)
            self._taken = deque()
            self._count -= count
            return count

    def give_back(self) -> None:
        """Put what was taken before what has come since."""
        with self._lock:
            self._waiting = self._taken + self._waiting
            self._taken = deque()
            self._bound()

    def columns(self, vessel: str) -> dict[Kind, Column]:
        """Return what one vessel has waiting, taken or not."""
        with self._lock:
            found = _columns(self._taken + self._waiting, vessel)
        return {kind: column for (_, kind), column in found.items()}

    def vessels(self) -> set[str]:
        """Return the vessels that have readings waiting."""
        with self._lock:
            return {vessel for segment in self._taken + self._waiting for vessel, _ in segment.columns}

    def _bound(self) -> None:
        while self._count > self._limit and len(self._waiting) > 1:
            lost = self._waiting.popleft().count
            self._count -= lost
            self._dropped += lost


def _row(reading: Reading) -> tuple[Channel, int, float]:
    kind = KINDS.get(reading.quantity)
    if kind is None:
        raise ValueError("a journal entry goes to add_entry")
    if not math.isfinite(reading.value):
        raise ValueError(f"{reading.value} is no reading")
    return (reading.vessel, kind), to_ms(reading.time_s), reading.value


def _columns(segments: deque[_Segment], vessel: str | None = None) -> dict[Channel, Column]:
    parts: dict[Channel, list[Column]] = {}
    for segment in segments:
        for channel, (time_ms, value) in segment.columns.items():
            if vessel is None or channel[0] == vessel:
                # copied, since an array that lends its memory can't grow
                column = Column(np.array(time_ms, np.int64), np.array(value, np.float64))
                parts.setdefault(channel, []).append(column)
    return {channel: merge(found) for channel, found in parts.items()}
