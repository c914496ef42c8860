"""Stored readings and journal as rows of a log, so that whatever was recorded can be replayed."""

from collections.abc import Iterator

from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.store.columns import QUANTITIES
from ullage.daemon.store.journal import JournalEntry
from ullage.daemon.store.store import Store
from ullage.detectors.samples import Kind


def stored_rows(store: Store, vessel: str, since_s: float | None, until_s: float | None) -> Iterator[Reading]:
    """Yield what is stored for one vessel with since ≤ time < until, in order of time.

    A journal entry comes before the readings of its moment, as the detectors take it.
    """
    waiting = list(reversed(store.entries(vessel, since_s, until_s)))
    names = {int(kind): QUANTITIES[kind] for kind in Kind}
    for chunk in store.iter_samples(vessel, since_s, until_s):
        columns = (chunk.time_s.tolist(), chunk.kind.tolist(), chunk.value.tolist())
        for time_s, kind, value in zip(*columns, strict=True):
            while waiting and waiting[-1].time_s <= time_s:
                yield _entry_row(vessel, waiting.pop())
            yield Reading(vessel, names[kind], time_s, value)
    while waiting:
        yield _entry_row(vessel, waiting.pop())


def _entry_row(vessel: str, entry: JournalEntry) -> Reading:
    return Reading(vessel, Quantity.JOURNAL, entry.time_s, 0.0, entry.text)
