"""Read long spans of one vessel in the order of time, a day at a time, so that memory stays bounded."""

from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import AbstractContextManager

import sqlalchemy as sa

from ullage.daemon.store.ahead import Ahead
from ullage.daemon.store.columns import EMPTY, LATEST_MS, Column, merge
from ullage.daemon.store.readings import next_block_ms, read_batches, read_blocks
from ullage.detectors.samples import Kind

CHUNK_MS = 86_400_000

Reader = Callable[[], AbstractContextManager[sa.Connection]]


def read_span(
    reader: Reader,
    vessel_id: int,
    kinds: Collection[Kind],
    span_ms: tuple[int, int],
    pending: Mapping[Kind, Column],
    ahead: Ahead | None = None,
) -> Iterator[dict[Kind, Column]]:
    """Yield the columns of what lies in start ≤ time < stop, chunk by chunk; a chunk ends at midnight UTC.

    Each chunk is read by itself, since a reader that stays open would keep the write-ahead log from being emptied.
    What is folded meanwhile is met twice and counts once.

    Parameters
    ----------
    reader
        Opens a connection.
    vessel_id
        The vessel.
    kinds
        Which of its channels.
    span_ms
        Start and stop, Unix milliseconds.
    pending
        What has not been committed; taken before this is called, so that nothing slips through between.
    ahead
        What was read of this vessel already, if it was.
    """
    start_ms, stop_ms = span_ms
    if ahead is not None and ahead.covers(vessel_id, start_ms):
        yield from _from_ahead(ahead, vessel_id, kinds, span_ms, pending)
        return
    with reader() as connection:
        batches = read_batches(connection, vessel_id)
    loose = {
        kind: merge([batches.get(kind, EMPTY), pending.get(kind, EMPTY)]).between(start_ms, stop_ms)
        for kind in kinds
    }
    at = start_ms
    while at < stop_ms:
        with reader() as connection:
            begin = _next(connection, vessel_id, at, loose)
            if begin is None or begin >= stop_ms:
                return
            end = min((begin // CHUNK_MS + 1) * CHUNK_MS, stop_ms)
            blocks = read_blocks(connection, vessel_id, kinds, begin, end)
            channels = {
                kind: merge([blocks.get(kind, EMPTY), rest.between(begin, end)])
                for kind, rest in loose.items()
            }
        yield {kind: column for kind, column in channels.items() if len(column)}
        at = end


def _from_ahead(
    ahead: Ahead,
    vessel_id: int,
    kinds: Collection[Kind],
    span_ms: tuple[int, int],
    pending: Mapping[Kind, Column],
) -> Iterator[dict[Kind, Column]]:
    """Yield all of it as one chunk: what is read ahead is recent, and little."""
    batches, blocks = ahead.batches(vessel_id), ahead.between(vessel_id, *span_ms)
    columns = {
        kind: merge([part.get(kind, EMPTY).between(*span_ms) for part in (blocks, batches, pending)])
        for kind in kinds
    }
    if any(len(column) for column in columns.values()):
        yield {kind: column for kind, column in columns.items() if len(column)}


def _next(connection: sa.Connection, vessel_id: int, at: int, loose: dict[Kind, Column]) -> int | None:
    block = next_block_ms(connection, vessel_id, loose.keys(), at)
    starts = [] if block is None else [max(block, at)]
    for column in loose.values():
        rest = column.between(at, LATEST_MS + 1)
        if len(rest):
            starts.append(int(rest.time_ms[0]))
    return min(starts, default=None)
