"""A stored batch judged again from its readings and entries, by the very detectors that watched it."""

import numpy as np

from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.store.store import Store
from ullage.detectors.record import Record
from ullage.detectors.samples import Entry, Samples
from ullage.detectors.watch import VesselWatch


def judged(store: Store, watched: WatchedVessel, began_s: float, end_s: float) -> Record:
    """Return what the detectors know of a batch at its end; 1 to 2 s of work for ten days at 1 Hz.

    Parameters
    ----------
    store
        The database; nothing is written.
    watched
        The vessel with that batch's own wishes.
    began_s, end_s
        The batch, Unix seconds.

    Raises
    ------
    StoreError
        If the database refuses.
    """
    watch = VesselWatch(watched.vessel, watched.detectors)
    waiting = list(reversed(store.entries(watched.vessel.name, began_s, end_s)))
    for chunk in store.iter_samples(watched.vessel.name, began_s, end_s):
        start = 0
        while waiting and waiting[-1].time_s <= chunk.time_s[-1]:
            entry = waiting.pop()
            place = int(np.searchsorted(chunk.time_s, entry.time_s))
            _update(watch, chunk.cut(start, place))
            watch.enter(Entry(time_s=entry.time_s, text=entry.text))
            start = place
        _update(watch, chunk.cut(start, len(chunk)))
    while waiting:
        entry = waiting.pop()
        watch.enter(Entry(time_s=entry.time_s, text=entry.text))
    watch.tick(end_s)
    return watch.record


def _update(watch: VesselWatch, samples: Samples) -> None:
    if len(samples):
        watch.update(samples)
