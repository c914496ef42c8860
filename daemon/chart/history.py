"""Readings for charts, thinned where they are many: lowest and highest of each minute, kept for days that are over."""

import threading
from collections import OrderedDict
from dataclasses import dataclass

import numpy as np

from ullage.adapters.reading import Quantity
from ullage.daemon.chart.batch import SILENT_S, Curve
from ullage.daemon.chart.thin import usual_gap_s
from ullage.daemon.clock import Clock
from ullage.daemon.store.store import Store
from ullage.detectors.samples import FloatArray, Kind

DAY_S = 86_400.0
RAW_S = 12 * 3600.0
"""Up to this span every reading is looked at."""
FINE_S = 62 * DAY_S
"""Up to this span minutes are, beyond it the ten-minute lowest and highest that are kept for ever."""
KEPT_DAYS = 150
"""Vessel-days kept in memory, each of some 90 kB at most."""
_SETTLED_S = 2 * DAY_S
"""A day that ended this long ago gets no late readings any more."""
_BIN_S = 60.0
_QUANTITIES = {
    Kind.TEMPERATURE: Quantity.TEMPERATURE,
    Kind.PRESSURE: Quantity.PRESSURE,
    Kind.AIR: Quantity.AIR_TEMPERATURE,
}
_KINDS = tuple(_QUANTITIES)


@dataclass(frozen=True, slots=True)
class Columns:
    """Times and values of one quantity, shape (n,)."""

    time_s: FloatArray
    value: FloatArray


Day = dict[Kind, Columns]


class History:
    """Asked from several threads; reads the database, never writes.

    Parameters
    ----------
    store
        Where the readings are.
    clock
        Which days are over.
    """

    def __init__(self, store: Store, clock: Clock) -> None:
        self._store = store
        self._clock = clock
        self._lock = threading.Lock()
        self._days: OrderedDict[tuple[str, int], Day] = OrderedDict()

    def curves(self, vessel: str, start_s: float, end_s: float) -> dict[Kind, Curve]:
        """Return temperature, pressure and the air's temperature over a span, one reading beyond either end where there is one.

        Raises
        ------
        StoreError
            If the database refuses.
        """
        span_s = end_s - start_s
        if span_s <= RAW_S:
            parts = [_split(self._store, vessel, start_s - SILENT_S, end_s + SILENT_S)]
        elif span_s <= FINE_S:
            first, last = int(start_s // DAY_S), int(end_s // DAY_S)
            parts = [self._day(vessel, number) for number in range(first, last + 1)]
            if not any(len(day[kind].time_s) for day in parts for kind in _KINDS):
                parts = [self._coarse(vessel, start_s, end_s)]
        else:
            parts = [self._coarse(vessel, start_s, end_s)]
        return {kind: _joined([part[kind] for part in parts]) for kind in _KINDS}

    def _day(self, vessel: str, number: int) -> Day:
        key = (vessel, number)
        with self._lock:
            known = self._days.get(key)
            if known is not None:
                self._days.move_to_end(key)
                return known
        start_s = number * DAY_S
        raw = _split(self._store, vessel, start_s, start_s + DAY_S)
        day = {kind: minutes(columns) for kind, columns in raw.items()}
        if start_s + DAY_S + _SETTLED_S < self._clock.wall_s():
            with self._lock:
                self._days[key] = day
                while len(self._days) > KEPT_DAYS:
                    self._days.popitem(last=False)
        return day

    def _coarse(self, vessel: str, start_s: float, end_s: float) -> Day:
        found: Day = {}
        for kind in _KINDS:
            bins = self._store.coarse(vessel, _QUANTITIES[kind], start_s, end_s)
            time_s = np.repeat(bins.start_s.astype(np.float64), 2)
            time_s[0::2] += 150.0
            time_s[1::2] += 450.0
            value = np.column_stack((bins.minimum, bins.maximum)).ravel()
            found[kind] = Columns(time_s, value)
        return found


def minutes(columns: Columns) -> Columns:
    """Return lowest and highest of each minute, in the order in which they came; a lone reading stays as it is."""
    time_s, value = columns.time_s, columns.value
    if len(time_s) < 3:
        return columns
    number = np.floor(time_s / _BIN_S)
    starts = np.flatnonzero(np.diff(number, prepend=number[0] - 1))
    counts = np.diff(starts, append=len(time_s))
    if counts.max() <= 2:
        return columns
    places = []
    for extreme in (np.minimum.reduceat(value, starts), np.maximum.reduceat(value, starts)):
        equal = np.flatnonzero(value == np.repeat(extreme, counts))
        places.append(equal[np.searchsorted(equal, starts)])
    kept = np.unique(np.concatenate(places))
    return Columns(time_s[kept], value[kept])


def _split(store: Store, vessel: str, start_s: float, end_s: float) -> Day:
    samples = store.samples(vessel, start_s, end_s)
    return {
        kind: Columns(samples.time_s[samples.kind == kind], samples.value[samples.kind == kind])
        for kind in _KINDS
    }


def _joined(parts: list[Columns]) -> Curve:
    time_s = np.concatenate([part.time_s for part in parts])
    value = np.concatenate([part.value for part in parts])
    return Curve(time_s=time_s, value=value, gap_s=usual_gap_s(time_s, SILENT_S))
