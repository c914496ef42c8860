"""The condenser: raw samples in, one row a minute out, whatever the sampling rate and however the stream is cut.

A minute holds the median of each quantity that was seen in it (a median keeps single spikes out when there are three
samples or more; a three-point median over rows, applied later, does so for sparser ones). A minute closes when a
sample of a later minute arrives or when time has passed it; samples for a closed minute come too late for trends.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ullage.detectors.medians import median
from ullage.detectors.samples import FloatArray, Kind, Samples

MINUTE_S = 60.0
FEW = 24
"""Up to this many rows plain Python beats numpy's fixed costs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Minutes:
    """Closed minutes in order: columns of n rows; NaN where a quantity was not seen.

    `end_s` is the end of the minute: when its row could be known. `count` is the number of pressure samples.
    """

    end_s: FloatArray
    pressure_bar: FloatArray
    temperature_c: FloatArray
    count: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.end_s)


class Condenser:
    """Turns samples into closed minutes; keeps only the open minute."""

    def __init__(self) -> None:
        self._open: int | None = None
        self._pressure: list[float] = []
        self._temperature: list[float] = []
        self.late = 0
        """Samples that came after their minute had closed."""

    def update(self, samples: Samples) -> Minutes:
        """Take samples in order of arrival; return the minutes that closed."""
        if len(samples) <= FEW:
            return self._update_few(samples)
        return self._update_many(samples)

    def tick(self, now_s: float) -> Minutes:
        """Close the open minute if `now_s` lies beyond it."""
        if self._open is None or now_s < (self._open + 1) * MINUTE_S:
            return _minutes([])
        row = self._close()
        return _minutes([row])

    def _close(self) -> tuple[int, float, float, int]:
        assert self._open is not None
        row = (self._open, median(self._pressure), median(self._temperature), len(self._pressure))
        self._open += 1
        self._pressure, self._temperature = [], []
        return row

    def _update_few(self, samples: Samples) -> Minutes:
        rows: list[tuple[int, float, float, int]] = []
        columns = zip(samples.time_s.tolist(), samples.kind.tolist(), samples.value.tolist(), strict=True)
        for time_s, kind, value in columns:
            minute = int(time_s // MINUTE_S)
            if self._open is None:
                self._open = minute
            if minute < self._open:
                self.late += 1
                continue
            if minute > self._open:
                if self._pressure or self._temperature:
                    rows.append(self._close())
                self._open = minute
            if kind == Kind.PRESSURE:
                self._pressure.append(value)
            elif kind == Kind.TEMPERATURE:
                self._temperature.append(value)
        return _minutes(rows)

    def _update_many(self, samples: Samples) -> Minutes:
        minute = np.floor_divide(samples.time_s, MINUTE_S).astype(np.int64)
        start = int(minute[0]) if self._open is None else self._open
        latest = np.maximum.accumulate(np.maximum(minute, start))
        fresh = minute == latest
        self.late += int(len(minute) - fresh.sum())
        last = int(latest[-1])
        whole = fresh & (minute < last)
        first_rows = _minutes([])
        if last > start and (self._pressure or self._temperature):
            # what the open minute already holds goes together with its rows of this block
            mine = whole & (minute == start)
            self._take(samples, mine)
            first_rows = _minutes(
                [(start, median(self._pressure), median(self._temperature), len(self._pressure))]
            )
            self._pressure, self._temperature = [], []
            whole &= minute != start
        rows = _grouped(minute[whole], samples.kind[whole], samples.value[whole])
        self._open = last
        self._take(samples, fresh & (minute == last))
        return _joined(first_rows, rows) if len(first_rows) else rows

    def _take(self, samples: Samples, mask: NDArray[np.bool_]) -> None:
        kind, value = samples.kind[mask], samples.value[mask]
        self._pressure.extend(value[kind == Kind.PRESSURE].tolist())
        self._temperature.extend(value[kind == Kind.TEMPERATURE].tolist())


def _minutes(rows: list[tuple[int, float, float, int]]) -> Minutes:
    return Minutes(
        end_s=np.array([(row[0] + 1) * MINUTE_S for row in rows]),
        pressure_bar=np.array([row[1] for row in rows]),
        temperature_c=np.array([row[2] for row in rows]),
        count=np.array([row[3] for row in rows], np.int64),
    )


def _joined(one: Minutes, two: Minutes) -> Minutes:
    return Minutes(
        end_s=np.concatenate((one.end_s, two.end_s)),
        pressure_bar=np.concatenate((one.pressure_bar, two.pressure_bar)),
        temperature_c=np.concatenate((one.temperature_c, two.temperature_c)),
        count=np.concatenate((one.count, two.count)),
    )


def _grouped(minute: NDArray[np.int64], kind: NDArray[np.uint8], value: FloatArray) -> Minutes:
    """Return rows for whole minutes; `minute` does not fall."""
    seen = kind != Kind.GRAVITY
    minute, kind, value = minute[seen], kind[seen], value[seen]
    if not len(minute):
        return _minutes([])
    edge = np.flatnonzero(np.diff(minute, prepend=minute[0] - 1))
    minutes = minute[edge]
    columns: dict[int, FloatArray] = {}
    count = np.zeros(len(minutes), np.int64)
    for code in (Kind.PRESSURE, Kind.TEMPERATURE):
        mine = kind == code
        at, medians, counts = _medians(minute[mine], value[mine])
        column = np.full(len(minutes), np.nan)
        where = np.searchsorted(minutes, at)
        column[where] = medians
        columns[code] = column
        if code == Kind.PRESSURE:
            count[where] = counts
    return Minutes(
        end_s=np.asarray((minutes + 1) * MINUTE_S, np.float64),
        pressure_bar=columns[Kind.PRESSURE],
        temperature_c=columns[Kind.TEMPERATURE],
        count=count,
    )


def _medians(
    minute: NDArray[np.int64], value: FloatArray
) -> tuple[NDArray[np.int64], FloatArray, NDArray[np.int64]]:
    """Return distinct minutes with the median and number of their values."""
    if not len(minute):
        return minute, value, minute
    edge = np.flatnonzero(np.diff(minute, prepend=minute[0] - 1))
    counts = np.diff(edge, append=len(minute))
    if (counts == counts[0]).all():  # even sampling: a plain matrix sorts several times faster
        ordered = np.sort(value.reshape(-1, counts[0]), axis=1)
        half = int(counts[0]) // 2
        middle = ordered[:, half] if counts[0] % 2 else (ordered[:, half - 1] + ordered[:, half]) / 2
        return minute[edge], middle, counts
    ordered = value[np.lexsort((value, minute))]
    high = edge + counts // 2
    low = edge + (counts - 1) // 2
    return minute[edge], np.where(high == low, ordered[high], (ordered[low] + ordered[high]) / 2), counts
