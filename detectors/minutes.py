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
        minute = np.floor(samples.time_s).astype(np.int64) // int(MINUTE_S)  # whole numbers divide faster
        start = int(minute[0]) if self._open is None else self._open
        if minute[0] < start or (minute[1:] < minute[:-1]).any():
            # those that come late are left out; what stays is in order
            fresh = minute == np.maximum.accumulate(np.maximum(minute, start))
            self.late += int(np.count_nonzero(~fresh))
            minute = minute[fresh]
            samples = Samples(
                time_s=samples.time_s[fresh], kind=samples.kind[fresh], value=samples.value[fresh]
            )
        last = int(minute[-1]) if len(minute) else start
        begin, end = 0, int(np.searchsorted(minute, last))
        first_rows = _minutes([])
        if last > start and (self._pressure or self._temperature):
            # what the open minute already holds goes together with its rows of this block
            begin = int(np.searchsorted(minute, start, side="right"))
            self._take(samples.cut(0, begin))
            first_rows = _minutes(
                [(start, median(self._pressure), median(self._temperature), len(self._pressure))]
            )
            self._pressure, self._temperature = [], []
        rows = _grouped(minute[begin:end], samples.kind[begin:end], samples.value[begin:end])
        self._open = last
        self._take(samples.cut(end, len(samples)))
        return _joined(first_rows, rows) if len(first_rows) else rows

    def _take(self, samples: Samples) -> None:
        self._pressure.extend(samples.value[samples.kind == Kind.PRESSURE].tolist())
        self._temperature.extend(samples.value[samples.kind == Kind.TEMPERATURE].tolist())


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
    """Return rows for whole minutes in which pressure or temperature was seen; `minute` does not fall."""
    edge = np.flatnonzero(np.diff(minute, prepend=minute[:1] - 1))
    bounds = np.append(edge, len(minute))
    columns: dict[int, FloatArray] = {}
    counts: dict[int, NDArray[np.int64]] = {}
    for code in (Kind.PRESSURE, Kind.TEMPERATURE):
        mine = np.flatnonzero(kind == code)
        counts[code] = np.diff(np.searchsorted(mine, bounds))
        columns[code] = _medians(value[mine], counts[code])
    seen = (counts[Kind.PRESSURE] > 0) | (counts[Kind.TEMPERATURE] > 0)
    return Minutes(
        end_s=np.asarray((minute[edge[seen]] + 1) * MINUTE_S, np.float64),
        pressure_bar=columns[Kind.PRESSURE][seen],
        temperature_c=columns[Kind.TEMPERATURE][seen],
        count=counts[Kind.PRESSURE][seen],
    )


def _medians(value: FloatArray, count: NDArray[np.int64]) -> FloatArray:
    """Return the median of the first `count[0]` values, of the next `count[1]`, and so on; NaN of none."""
    result = np.full(len(count), np.nan)
    some = count > 0
    size = count[some]
    if not len(size):
        return result
    if (size == size[0]).all():  # even sampling: a plain matrix sorts several times faster
        ordered = np.sort(value.reshape(-1, size[0]), axis=1)
        half = int(size[0]) // 2
        result[some] = ordered[:, half] if size[0] % 2 else (ordered[:, half - 1] + ordered[:, half]) / 2
        return result
    ordered = value[np.lexsort((value, np.repeat(np.arange(len(size)), size)))]
    edge = np.cumsum(size) - size
    low, high = ordered[edge + (size - 1) // 2], ordered[edge + size // 2]
    result[some] = np.where(size % 2 == 1, high, (low + high) / 2)
    return result
