"""Plays a recorded log as if it were live, for demonstrations and trials."""

import heapq
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from ullage.adapters.channel import Channel
from ullage.adapters.clock import Clock
from ullage.adapters.column_map import ColumnMap
from ullage.adapters.log_format import KIND_OF, VesselLog
from ullage.adapters.pacing import Pacer
from ullage.adapters.reading import Delivery, Quantity, Reading
from ullage.adapters.recorded_log import read_log
from ullage.adapters.source import Source

MOST_READINGS = 500
"""In one delivery."""
SHORTEST_PAUSE_S = 0.02
LONGEST_PAUSE_S = 0.5
_QUANTITY_OF = {code: quantity for quantity, code in KIND_OF.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedLogSettings:
    """What a source of kind `log` is told."""

    __pydantic_config__ = {"extra": "forbid"}  # noqa: RUF012 - read by the daemon's validation, never written

    path: Path
    """The log, plain or gzip."""
    speed: float = 1.0
    """Recorded seconds for each real one; 0 plays as fast as it goes."""
    map: str = ""
    """What the columns of a wide file mean: `time=time,temperature=temp_c:Cel,pressure=p:kPa:absolute`."""
    vessel: str = ""
    """The vessel that a wide file is about."""
    as_if_now: bool = False
    """Shift the recorded times so that the first row is read now; the distances between them stay."""

    def __post_init__(self) -> None:
        if not 0 <= self.speed < math.inf:
            raise ValueError(f"speed {self.speed} must be 0 (as fast as it goes) or above")
        if bool(self.map) != bool(self.vessel):
            raise ValueError("map and vessel belong together: a wide file is about one vessel")
        if self.map:
            self.columns()  # a map that can't be right is said at start

    def columns(self) -> ColumnMap | None:
        """Return the column map of a wide file."""
        return ColumnMap.parse(self.map, vessel=self.vessel) if self.map else None


class RecordedLogSource(Source):
    """Hands over a log's readings at their times.

    Parameters
    ----------
    name
        The key under `sources:`.
    settings
        Which log, how fast.
    channels
        Which vessels and quantities are wanted; none takes all. Journal entries of the vessels come along.
    clock
        Sets the pace.
    """

    kind = "log"

    def __init__(
        self, name: str, settings: RecordedLogSettings, channels: Sequence[Channel], clock: Clock
    ) -> None:
        super().__init__(name)
        self._settings = settings
        self._clock = clock
        self._wanted = {(channel.vessel, channel.quantity) for channel in channels}
        self._vessels = {channel.vessel for channel in channels}

    def _run(self) -> None:
        log = read_log(self._settings.path, columns=self._settings.columns())
        rows = heapq.merge(*map(_readings, log.vessels.values()), key=lambda reading: reading.time_s)
        first = next(rows, None)
        if first is None:
            return
        shift_s = self._clock.wall_s() - first.time_s if self._settings.as_if_now else 0.0
        self._connected = True
        self._detail = f"plays {self._settings.path} at {self._settings.speed:g} times real time"
        self._play(first, rows, shift_s)
        if not self._stopping.is_set():
            self._detail = f"has played {self._settings.path} to its end"
            self._stopping.wait()

    def _play(self, first: Reading, rows: Iterator[Reading], shift_s: float) -> None:
        pacer = Pacer(self._clock, self._settings.speed, first.time_s)
        reached_s = first.time_s
        waiting: Reading | None = first
        while waiting is not None and not self._stopping.is_set():
            due_s = pacer.due_s(reached_s)
            batch: list[Reading] = []
            while waiting is not None and waiting.time_s <= due_s and len(batch) < MOST_READINGS:
                reached_s = waiting.time_s
                if self._is_wanted(waiting):
                    batch.append(_shifted(waiting, shift_s))
                waiting = next(rows, None)
            if batch:
                self._hand_over(Delivery(self.name, tuple(batch)))
            elif waiting is not None and waiting.time_s > due_s:
                reached_s = max(reached_s, due_s)
                pause_s = pacer.pause_s(waiting.time_s)
                self._stopping.wait(min(max(pause_s, SHORTEST_PAUSE_S), LONGEST_PAUSE_S))

    def _is_wanted(self, reading: Reading) -> bool:
        if not self._wanted:
            return True
        if reading.quantity is Quantity.JOURNAL:
            return reading.vessel in self._vessels
        return (reading.vessel, reading.quantity) in self._wanted


def _shifted(reading: Reading, shift_s: float) -> Reading:
    if not shift_s:
        return reading
    return Reading(reading.vessel, reading.quantity, reading.time_s + shift_s, reading.value, reading.text)


def _readings(log: VesselLog) -> Iterator[Reading]:
    """Yield a vessel's readings and entries in the order of time, an entry before readings of its time."""
    measured = (
        Reading(log.name, _QUANTITY_OF[kind], time_s, value)
        for time_s, kind, value in zip(
            log.time_s.tolist(), log.kind.tolist(), log.value.tolist(), strict=True
        )
    )
    entries = (Reading(log.name, Quantity.JOURNAL, entry.time_s, 0.0, entry.text) for entry in log.entries)
    return heapq.merge(entries, measured, key=lambda reading: reading.time_s)
