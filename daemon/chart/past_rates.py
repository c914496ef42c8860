"""Rates of production of batches that are over: measured again from the stored readings, nothing is kept for them.

Ten days at 1 Hz take 1 to 2 s, so the latest answers are remembered. One batch is judged at a time: two would only
share the processor with the watch.
"""

import math
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ullage.adapters.reading import Quantity
from ullage.daemon.chart.batch import Rates
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.judged import judged
from ullage.daemon.store.store import Store
from ullage.detectors.record import Record

KEPT = 16
"""Batches remembered, each of some 10 kB at most."""
PATIENCE_S = 20.0
"""How long somebody waits while another batch is judged."""
_LOST_S = 3600.0
"""Readings that begin so much later than the coarser history does are no longer whole."""

Judge = Callable[[Store, WatchedVessel, float, float], Record]

BUSY = "another batch is being worked out: look again in a moment"
GONE = "the single readings they are measured from are no longer kept"


@dataclass(frozen=True, slots=True)
class Measured:
    """What is known, or why nothing is."""

    rates: Rates
    why_none: str = ""


class PastRates:
    """Safe to call from several threads.

    Parameters
    ----------
    store
        The database; nothing is written.
    judge
        Judges a batch again.
    """

    def __init__(self, store: Store, judge: Judge = judged) -> None:
        self._store = store
        self._judge = judge
        self._working = threading.Lock()
        self._known: OrderedDict[tuple[object, ...], Measured] = OrderedDict()

    def of(self, watched: WatchedVessel, start_s: float, end_s: float) -> Measured:
        """Return the rates of a batch.

        Parameters
        ----------
        watched
            The vessel with that batch's own wishes.
        start_s, end_s
            The batch, Unix seconds.

        Raises
        ------
        StoreError
            If the database refuses.
        """
        entries = tuple(entry.id for entry in self._store.entries(watched.vessel.name, start_s, end_s))
        key = (watched.vessel, start_s, end_s, entries)
        if not self._working.acquire(timeout=PATIENCE_S):
            return Measured(Rates(), BUSY)
        try:
            known = self._known.get(key)
            if known is None:
                known = self._measured(watched, start_s, end_s)
                self._known[key] = known
                while len(self._known) > KEPT:
                    self._known.popitem(last=False)
            return known
        finally:
            self._working.release()

    def _measured(self, watched: WatchedVessel, start_s: float, end_s: float) -> Measured:
        name = watched.vessel.name
        first_s = next(
            (float(chunk.time_s[0]) for chunk in self._store.iter_samples(name, start_s, end_s)), None
        )
        coarse = self._store.coarse(name, Quantity.PRESSURE, start_s, end_s)
        if len(coarse) and (first_s is None or first_s - float(coarse.start_s[0]) > _LOST_S):
            return Measured(Rates(), GONE)
        return Measured(rates_of(self._judge(self._store, watched, start_s, end_s)))


def rates_of(record: Record) -> Rates:
    """Return the rates that a record holds, oldest first; the record may be in use by another thread."""
    for _ in range(3):
        try:
            known = list(record.rates.before(math.inf))
        except RuntimeError:  # one was added meanwhile
            continue
        known.reverse()
        return Rates(
            time_s=np.array([rate.time_s for rate in known]),
            rate=np.array([rate.rate * rate.share for rate in known]),
            se=np.array([rate.se * rate.share for rate in known]),
        )
    return Rates()
