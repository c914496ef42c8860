"""Fewer points, the same picture: per column of pixels the first, lowest, highest and last reading stay.

A line through these four covers the very pixels that the line through all readings covers (that is why lowest and
highest must stay, else a spike of one reading is lost). A pause in the readings breaks the line, so that a gap survives.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ullage.detectors.samples import FloatArray


@dataclass(frozen=True, slots=True)
class Stretch:
    """Readings without a pause between them: times (Unix seconds) and values, shape (n,)."""

    time_s: FloatArray
    value: FloatArray


def thin(
    time_s: FloatArray, value: FloatArray, span_s: tuple[float, float], columns: int, gap_s: float
) -> tuple[Stretch, ...]:
    """Return the stretches to draw.

    Parameters
    ----------
    time_s
        Times, Unix seconds, not falling; shape (n,).
    value
        Values; shape (n,). What is not finite is left out, and so is no pause by itself.
    span_s
        Start and end of what is shown. One reading beyond either side stays so that lines run to the border.
    columns
        Columns of pixels.
    gap_s
        A longer pause between two readings breaks the line.
    """
    start_s, end_s = span_s
    finite = np.isfinite(value)
    if not finite.all():
        time_s, value = time_s[finite], value[finite]
    first = max(int(np.searchsorted(time_s, start_s, side="left")) - 1, 0)
    last = min(int(np.searchsorted(time_s, end_s, side="right")) + 1, len(time_s))
    time_s, value = time_s[first:last], value[first:last]
    if not len(time_s):
        return ()
    breaks = np.diff(time_s) > gap_s
    piece = np.concatenate(([0], np.cumsum(breaks)))
    column = np.floor((time_s - start_s) / max(end_s - start_s, 1e-9) * columns).astype(np.int64)
    new = np.concatenate(([True], breaks | (np.diff(column) != 0)))
    kept = _extremes(value, np.flatnonzero(new))
    piece = piece[kept]
    edges = np.flatnonzero(np.diff(piece)) + 1
    return tuple(Stretch(time_s[part], value[part]) for part in np.split(kept, edges) if len(part))


def gaps(time_s: FloatArray, span_s: tuple[float, float], gap_s: float) -> tuple[tuple[float, float], ...]:
    """Return start and end of every pause longer than `gap_s` within what is shown."""
    start_s, end_s = span_s
    wide = np.flatnonzero(np.diff(time_s) > gap_s)
    found = ((float(time_s[i]), float(time_s[i + 1])) for i in wide)
    return tuple((max(a, start_s), min(b, end_s)) for a, b in found if b > start_s and a < end_s)


def usual_gap_s(time_s: FloatArray, least_s: float) -> float:
    """Return the pause from which a line is broken: four times the usual one, but never less than `least_s`."""
    if len(time_s) < 3:
        return least_s
    return max(least_s, 4 * float(np.median(np.diff(time_s))))


def _extremes(value: FloatArray, starts: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the places of first, lowest, highest and last value of each group, in order."""
    counts = np.diff(starts, append=len(value))
    ends = starts + counts - 1
    lowest = _places(value, np.minimum.reduceat(value, starts), starts, counts)
    highest = _places(value, np.maximum.reduceat(value, starts), starts, counts)
    return np.unique(np.concatenate((starts, lowest, highest, ends)))


def _places(
    value: FloatArray, wanted: FloatArray, starts: NDArray[np.int64], counts: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Return the place of the first value in each group that equals the one wanted of it."""
    equal = np.flatnonzero(value == np.repeat(wanted, counts))
    found: NDArray[np.int64] = equal[np.searchsorted(equal, starts)]
    return found
