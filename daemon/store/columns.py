"""Columns of readings as they go in and come out, and the one rule about repeats.

A channel is one quantity of one vessel. **Time is kept to the millisecond; the first value stored for a channel and
a millisecond stays, a later one is a repeat and is ignored** (a broker delivers again what was not acknowledged, and
a log may be read in twice). Values come back bit for bit.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ullage.adapters.reading import Quantity
from ullage.detectors.samples import FloatArray, Kind, Samples

TimeArray = NDArray[np.int64]
Columns = Samples
"""What the store gives back: readings of one vessel sorted by time, then kind; detectors take it as it is."""

KINDS = {
    Quantity.TEMPERATURE: Kind.TEMPERATURE,
    Quantity.PRESSURE: Kind.PRESSURE,
    Quantity.GRAVITY: Kind.GRAVITY,
    Quantity.AIR_TEMPERATURE: Kind.AIR,
}
QUANTITIES = {kind: quantity for quantity, kind in KINDS.items()}

LATEST_MS = 2**52
"""Times beyond this (some 140,000 years) are a programmer's slip."""


@dataclass(frozen=True, slots=True)
class Column:
    """Readings of one channel: n times in Unix milliseconds, n values."""

    time_ms: TimeArray
    value: FloatArray

    def __len__(self) -> int:
        return len(self.time_ms)

    def between(self, start_ms: int, stop_ms: int) -> "Column":
        """Return what lies in start_ms ≤ time < stop_ms; the column must be sorted."""
        first, last = np.searchsorted(self.time_ms, (start_ms, stop_ms))
        return Column(self.time_ms[first:last], self.value[first:last])


EMPTY = Column(np.empty(0, np.int64), np.empty(0))


def to_ms(time_s: float) -> int:
    """Return Unix seconds as whole milliseconds.

    Raises
    ------
    ValueError
        If it is not a time.
    """
    try:
        time_ms = round(time_s * 1000)
    except (ValueError, OverflowError):
        raise ValueError(f"{time_s} is not a time in Unix seconds") from None
    if abs(time_ms) > LATEST_MS:
        raise ValueError(f"{time_s} is not a time in Unix seconds")
    return time_ms


def merge(parts: list[Column]) -> Column:
    """Return the parts as one column sorted by time; of equal times the first part's first value stays."""
    parts = [part for part in parts if len(part)]
    if not parts:
        return EMPTY
    time_ms = np.concatenate([part.time_ms for part in parts])
    value = np.concatenate([part.value for part in parts])
    step = np.diff(time_ms)
    if np.all(step > 0):
        return Column(time_ms, value)
    order = np.argsort(time_ms, kind="stable")
    time_ms, value = time_ms[order], value[order]
    keep = np.ones(len(time_ms), bool)
    keep[1:] = time_ms[1:] != time_ms[:-1]
    return Column(time_ms[keep], value[keep])


def interleave(channels: dict[Kind, Column]) -> Columns:
    """Return the channels of one vessel as one block sorted by time, then kind."""
    kinds = sorted(channels)
    if not kinds:
        return Columns.empty()
    time_ms = np.concatenate([channels[kind].time_ms for kind in kinds])
    value = np.concatenate([channels[kind].value for kind in kinds])
    code = np.concatenate([np.full(len(channels[kind]), kind, np.uint8) for kind in kinds])
    order = np.argsort(time_ms, kind="stable")
    return Columns(time_s=time_ms[order] / 1000.0, kind=code[order], value=value[order])


def joined(chunks: list[Columns]) -> Columns:
    """Return chunks that follow each other as one block."""
    if len(chunks) == 1:
        return chunks[0]
    if not chunks:
        return Columns.empty()
    return Columns(
        time_s=np.concatenate([chunk.time_s for chunk in chunks]),
        kind=np.concatenate([chunk.kind for chunk in chunks]),
        value=np.concatenate([chunk.value for chunk in chunks]),
    )
