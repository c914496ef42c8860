"""Batches that can be looked at: those that were begun as such, else what the journal's pitchings tell apart."""

from dataclasses import dataclass

from ullage.daemon.store import batches
from ullage.daemon.store.store import Store
from ullage.detectors.batch import Batch
from ullage.detectors.journal import Word, understand

DAY_S = 86_400.0
LOOK_BACK_S = 60 * DAY_S
"""A vessel without a batch or a pitching shows at most this much as its batch."""
PITCHED_BACK_S = 400 * DAY_S
"""How far back pitchings are looked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchSpan:
    """A batch that can be looked at: the current one, or one that is over."""

    vessel: str
    key: str
    """The batch's number; `now` for what is in the vessel without one."""
    name: str
    start_s: float
    end_s: float | None
    """None while it goes on."""
    wishes: Batch | None = None


def batch_spans(store: Store, vessel: str, now_s: float) -> tuple[BatchSpan, ...]:
    """Return what can be looked at of a vessel, the newest first.

    Raises
    ------
    StoreError
        If the database refuses.
    """
    stored = batches.all_batches(store, vessel)
    spans = [
        BatchSpan(
            vessel=vessel,
            key=str(one.id),
            name=one.wishes.name or f"batch {one.id}",
            start_s=one.began_s,
            end_s=one.ended_s,
            wishes=one.wishes,
        )
        for one in stored
    ]
    if not stored or stored[-1].ended_s is not None:
        spans += _by_pitching(store, vessel, stored[-1].ended_s if stored else None, now_s)
    return tuple(reversed(spans))


def first_reading_s(store: Store, vessel: str, since_s: float) -> float | None:
    """Return the time of the first reading from then on."""
    for chunk in store.iter_samples(vessel, since_s):
        if len(chunk.time_s):
            return float(chunk.time_s[0])
    return None


def _by_pitching(store: Store, vessel: str, after_s: float | None, now_s: float) -> list[BatchSpan]:
    """Return spans that begin with a pitching, or with the first reading where there is none."""
    since_s = now_s - PITCHED_BACK_S if after_s is None else after_s
    starts = [
        entry.time_s
        for entry in store.entries(vessel, since_s)
        if (known := understand(entry.text)) is not None and known.word is Word.PITCHED
    ]
    if not starts:
        first_s = first_reading_s(store, vessel, max(since_s, now_s - LOOK_BACK_S))
        starts = [] if first_s is None else [first_s]
    spans = []
    for number, start_s in enumerate(starts):
        last = number == len(starts) - 1
        spans.append(
            BatchSpan(
                vessel=vessel,
                key="now" if last else f"p{start_s:.0f}",
                name="in the vessel now" if last else "earlier batch",
                start_s=start_s,
                end_s=None if last else starts[number + 1],
            )
        )
    return spans
