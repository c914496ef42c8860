"""The coarser history that stays when single readings have grown too old: 10-minute minimum, mean and maximum."""

from dataclasses import dataclass

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray

from ullage.daemon.store.columns import Column
from ullage.daemon.store.schema import reading_coarse
from ullage.detectors.samples import FloatArray, Kind

BIN_S = 600
"""Span of a bin; a window of readings holds a whole number of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CoarseColumns:
    """One row a bin, sorted by time, in the quantity's canonical unit."""

    start_s: NDArray[np.int64]
    """Unix seconds of the bin's start."""
    minimum: FloatArray
    mean: FloatArray
    maximum: FloatArray
    count: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.start_s)


def bins(column: Column) -> CoarseColumns:
    """Return readings, sorted by time, as bins."""
    number = column.time_ms // (BIN_S * 1000)
    first = np.flatnonzero(np.diff(number, prepend=number[:1] - 1))
    count = np.diff(first, append=len(number))
    if not len(number):
        return CoarseColumns(
            start_s=number, minimum=column.value, mean=column.value, maximum=column.value, count=number
        )
    low = np.minimum.reduceat(column.value, first)
    high = np.maximum.reduceat(column.value, first)
    mean = np.add.reduceat(column.value, first) / count
    return CoarseColumns(
        start_s=number[first] * BIN_S, minimum=low, mean=np.clip(mean, low, high), maximum=high, count=count
    )


def read(connection: sa.Connection, vessel_id: int, kind: Kind, start_s: int, stop_s: int) -> CoarseColumns:
    """Return the bins that were kept, with start_s ≤ start < stop_s."""
    rows = connection.execute(
        sa.select(
            reading_coarse.c.start_s,
            reading_coarse.c.minimum,
            reading_coarse.c.mean,
            reading_coarse.c.maximum,
            reading_coarse.c.count,
        )
        .where(
            reading_coarse.c.vessel_id == vessel_id,
            reading_coarse.c.quantity == kind,
            reading_coarse.c.start_s >= start_s,
            reading_coarse.c.start_s < stop_s,
        )
        .order_by(reading_coarse.c.start_s)
    ).all()
    start, low, mean, high, count = zip(*rows, strict=True) if rows else ((), (), (), (), ())
    return CoarseColumns(
        start_s=np.array(start, np.int64),
        minimum=np.array(low, np.float64),
        mean=np.array(mean, np.float64),
        maximum=np.array(high, np.float64),
        count=np.array(count, np.int64),
    )


def join(kept: CoarseColumns, fresh: CoarseColumns) -> CoarseColumns:
    """Return both sorted by time; where both have a bin the kept one stays."""
    new = ~np.isin(fresh.start_s, kept.start_s)
    start_s = np.concatenate([kept.start_s, fresh.start_s[new]])
    order = np.argsort(start_s, kind="stable")
    return CoarseColumns(
        start_s=start_s[order],
        minimum=np.concatenate([kept.minimum, fresh.minimum[new]])[order],
        mean=np.concatenate([kept.mean, fresh.mean[new]])[order],
        maximum=np.concatenate([kept.maximum, fresh.maximum[new]])[order],
        count=np.concatenate([kept.count, fresh.count[new]])[order],
    )


def join_all(parts: list[CoarseColumns]) -> CoarseColumns:
    """Return parts that follow each other as one."""
    return CoarseColumns(
        start_s=np.concatenate([part.start_s for part in parts]),
        minimum=np.concatenate([part.minimum for part in parts]),
        mean=np.concatenate([part.mean for part in parts]),
        maximum=np.concatenate([part.maximum for part in parts]),
        count=np.concatenate([part.count for part in parts]),
    )


def write(connection: sa.Connection, vessel_id: int, kind: Kind, fresh: CoarseColumns) -> int:
    """Keep bins, except where one stands already; return how many were new."""
    if not len(fresh):
        return 0
    kept = read(connection, vessel_id, kind, int(fresh.start_s[0]), int(fresh.start_s[-1]) + 1)
    values = [
        {
            "vessel_id": vessel_id,
            "quantity": kind,
            "start_s": int(fresh.start_s[i]),
            "minimum": float(fresh.minimum[i]),
            "mean": float(fresh.mean[i]),
            "maximum": float(fresh.maximum[i]),
            "count": int(fresh.count[i]),
        }
        for i in np.flatnonzero(~np.isin(fresh.start_s, kept.start_s))
    ]
    if values:
        connection.execute(reading_coarse.insert(), values)
    return len(values)
