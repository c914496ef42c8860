"""Stored readings and journal as rows of the log format, so that whatever was recorded can be replayed."""

import csv
import io
from collections.abc import Iterator, Sequence

import numpy as np

from ullage.adapters.log_format import HEADER
from ullage.adapters.reading import Quantity
from ullage.adapters.timestamps import format_rfc3339
from ullage.daemon.store.columns import Columns
from ullage.daemon.store.journal import JournalEntry
from ullage.daemon.store.store import Store
from ullage.detectors.samples import Kind

_TAILS = {
    Kind.TEMPERATURE: (Quantity.TEMPERATURE.value, "Cel"),
    Kind.PRESSURE: (Quantity.PRESSURE.value, "bar"),
    Kind.GRAVITY: (Quantity.GRAVITY.value, ""),
}


def header_row() -> str:
    """Return the first line of a log."""
    return ",".join(HEADER) + "\n"


def log_rows(store: Store, vessel: str, since_s: float | None, until_s: float | None) -> Iterator[str]:
    """Yield the rows of one vessel with since ≤ time < until, in order of time, many in each text.

    A journal entry comes before the readings of its moment, as the detectors take it.
    """
    waiting = list(store.entries(vessel, since_s, until_s))
    for chunk in store.iter_samples(vessel, since_s, until_s):
        start = 0
        while waiting and len(chunk) and waiting[0].time_s <= chunk.time_s[-1]:
            place = int(np.searchsorted(chunk.time_s, waiting[0].time_s))
            yield _reading_rows(vessel, chunk, start, place)
            yield _entry_row(vessel, waiting.pop(0))
            start = place
        yield _reading_rows(vessel, chunk, start, len(chunk))
    for entry in waiting:
        yield _entry_row(vessel, entry)


def _reading_rows(vessel: str, chunk: Columns, start: int, stop: int) -> str:
    if start == stop:
        return ""
    millis = np.rint(np.asarray(chunk.time_s[start:stop]) * 1000).astype("datetime64[ms]")
    times = np.datetime_as_string(millis, unit="ms").tolist()
    name = _row([vessel]).rstrip("\n")
    middles = {kind: f"Z,{name},{quantity}," for kind, (quantity, _unit) in _TAILS.items()}
    ends = {kind: f",{unit}\n" for kind, (_quantity, unit) in _TAILS.items()}
    kinds = [Kind(code) for code in chunk.kind[start:stop].tolist()]
    values = chunk.value[start:stop].tolist()
    return "".join(
        f"{time.removesuffix('.000')}{middles[kind]}{value!r}{ends[kind]}"
        for time, kind, value in zip(times, kinds, values, strict=True)
    )


def _entry_row(vessel: str, entry: JournalEntry) -> str:
    return _row([format_rfc3339(entry.time_s), vessel, Quantity.JOURNAL.value, entry.text, ""])


def _row(cells: Sequence[str]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(cells)
    return text.getvalue()
