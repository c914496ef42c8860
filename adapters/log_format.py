"""The recorded log as values: what a file held, per vessel, and the rows that could not be used."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from ullage.adapters.reading import Quantity

HEADER = ("time", "vessel", "quantity", "value", "unit")

KIND_OF = {
    Quantity.TEMPERATURE: 0,
    Quantity.PRESSURE: 1,
    Quantity.GRAVITY: 2,
    Quantity.AIR_TEMPERATURE: 3,
}
"""Code of each measured quantity in `VesselLog.kind`."""

KEPT_BAD_ROWS = 20


class BadRow(StrEnum):
    """Why a row was refused."""

    COLUMNS = "columns"
    TIME = "time"
    VESSEL = "vessel"
    QUANTITY = "quantity"
    VALUE = "value"
    UNIT = "unit"
    TEXT = "text"
    LENGTH = "length"
    CUT_OFF = "cut-off"


@dataclass(frozen=True, slots=True, kw_only=True)
class BadRows:
    """Rows that were refused, counted; the first few in full so that memory stays bounded."""

    total: int
    by_reason: Mapping[BadRow, int]
    first: tuple[tuple[int, str], ...]
    """Line number (from 1) and one sentence each, at most `KEPT_BAD_ROWS`."""


class BadRowNotes:
    """Collects refused rows while a file is read."""

    def __init__(self) -> None:
        self._by_reason: dict[BadRow, int] = {}
        self._first: list[tuple[int, str]] = []

    def note(self, line: int, reason: BadRow, sentence: str) -> None:
        """Count one refused row."""
        self._by_reason[reason] = self._by_reason.get(reason, 0) + 1
        if len(self._first) < KEPT_BAD_ROWS:
            self._first.append((line, sentence))

    def result(self) -> BadRows:
        """Return what was noted so far."""
        return BadRows(
            total=sum(self._by_reason.values()), by_reason=dict(self._by_reason), first=tuple(self._first)
        )


@dataclass(frozen=True, slots=True)
class JournalRow:
    """A journal entry of the log."""

    time_s: float
    """Unix seconds, UTC."""
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class VesselLog:
    """Everything a log holds about one vessel, sorted by time; rows of the same time keep the file's order.

    `time_s` Unix seconds UTC, `kind` codes of `KIND_OF`, `value` in canonical units (°C, bar gauge, specific gravity):
    three columns of the same length n.
    """

    name: str
    time_s: NDArray[np.float64]
    kind: NDArray[np.uint8]
    value: NDArray[np.float64]
    entries: tuple[JournalRow, ...] = ()
    repeated: int = 0
    """Rows dropped because quantity, time and value (or journal text) had been there before."""
    contradicting: int = 0
    """Rows dropped because quantity and time had been there before with another value; the first one stays."""

    def __len__(self) -> int:
        return len(self.time_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedLog:
    """A log file that was read whole."""

    vessels: Mapping[str, VesselLog]
    """By name, in order of first appearance in the file."""
    bad_rows: BadRows
    lines: int
    """Lines of the file, the header and blank ones included."""
