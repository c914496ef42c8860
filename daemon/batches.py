"""Which batch is in which vessel: the database's current one, begun by command or by the configuration."""

import logging
from dataclasses import dataclass, replace

from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.store import batches
from ullage.daemon.store.batches import StoredBatch
from ullage.daemon.store.store import Store
from ullage.detectors.batch import Batch
from ullage.detectors.journal import Word, understand

log = logging.getLogger(__name__)

LOOK_BACK_S = 2 * 86_400.0
"""A batch begun by command may turn out to have begun so much sooner."""
LONGEST_BATCH_S = 45 * 86_400.0
BY_CONFIG = "config "
"""Beginning of the origin of a batch that a config block describes."""
BEFORE_S = 0.001
"""The entry `batch started` stands this long before the batch: what follows it belongs to it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchView:
    """A vessel with the batch that is in it now."""

    watched: WatchedVessel
    """With the batch's own yeast range and original gravity."""
    batch_id: int
    """0 if there is none."""
    begin_s: float | None
    """Readings before this belong to an earlier batch; None if there was none."""
    mark: str
    """Changes when detectors have to begin anew: with another batch, other wishes, an entry withdrawn or dated back."""


def view(store: Store, watched: WatchedVessel) -> BatchView:
    """Return how a vessel stands.

    Raises
    ------
    StoreError
        If the database refuses.
    """
    name = watched.vessel.name
    last = batches.newest(store, name)
    struck = batches.struck_ms(store, name)
    wishes = last.wishes if last is not None and last.ended_s is None else None
    begin_s = None if last is None else (last.began_s if wishes is not None else last.ended_s)
    batch_id = 0 if last is None or wishes is None else last.id
    late = batches.entered_late(store, name, begin_s)
    return BatchView(
        watched=replace(watched, vessel=watched.vessel.carrying(wishes)),
        batch_id=batch_id,
        begin_s=begin_s,
        mark=f"{batch_id} {begin_s} {struck} {late}" if last is not None or struck or late else "",
    )


def batch_at(store: Store, vessel: str, time_s: float) -> StoredBatch | None:
    """Return the batch that was in a vessel at a moment; one that goes on, for every moment after its beginning."""
    found = [b for b in batches.all_batches(store, vessel) if b.began_s <= time_s]
    last = found[-1] if found else None
    return None if last is None or (last.ended_s is not None and last.ended_s < time_s) else last


def adopt(store: Store, watched: WatchedVessel, now_s: float) -> None:
    """Bring the batch that the configuration describes into being, once; later changes to its wishes are taken over.

    A batch begun by command stays, and one that pitching began takes the block's wishes. A block with another name or
    another beginning is another batch, and the one that came from the old block ends with it. One that was ended by
    command is not begun again.
    """
    block = watched.vessel.batch
    if block is None:
        return
    name = watched.vessel.name
    origin = f"{BY_CONFIG}{watched.batch_began_s} {block.name}"
    last = batches.newest(store, name)
    if last is not None and last.ended_s is None:
        if last.origin == origin or last.origin.startswith(batches.BY_PITCHING):
            if last.wishes != block:
                batches.change_wishes(store, last.id, block)
            return
        if last.origin == batches.BY_COMMAND:
            log.warning("a batch begun by command goes on; the configuration's waits", extra={"vessel": name})
            return
    described = [known for known in batches.all_batches(store, name) if known.origin.startswith(BY_CONFIG)]
    if described and described[-1].origin == origin:
        return
    if last is not None and last.ended_s is None:
        began_s = now_s if watched.batch_began_s is None else watched.batch_began_s
        batches.end(store, last.id, ended_s=max(last.began_s, min(began_s, now_s)), summary="")
    begun = begin(store, name, block, now_s=now_s, began_s=watched.batch_began_s, origin=origin)
    log.info("batch of the configuration begun", extra={"vessel": name, "batch": begun.id})


def current(store: Store, vessel: str) -> StoredBatch | None:
    """Return the batch that has not ended."""
    last = batches.newest(store, vessel)
    return last if last is not None and last.ended_s is None else None


def begin(
    store: Store,
    vessel: str,
    wishes: Batch,
    *,
    now_s: float,
    began_s: float | None = None,
    origin: str = batches.BY_COMMAND,
) -> StoredBatch:
    """Begin a batch, and enter it in the journal.

    Without `began_s` it begins with the latest pitching entered since the last batch ended, if that is no longer ago than
    `LONGEST_BATCH_S`, else now.

    Raises
    ------
    StoreError
        If there is one that has not ended, or it would overlap the last one.
    """
    if began_s is None:
        began_s = _pitched_s(store, vessel, now_s)
    batches.begin(
        store, vessel, wishes, began_s=now_s if began_s is None else began_s, made_s=now_s, origin=origin
    )
    begun = batches.newest(store, vessel)
    assert begun is not None
    store.add_entry(vessel, begun.began_s - BEFORE_S, Word.BATCH_STARTED.value, made_s=now_s)
    return begun


def _pitched_s(store: Store, vessel: str, now_s: float) -> float | None:
    last = batches.newest(store, vessel)
    since_s = max(now_s - LONGEST_BATCH_S, last.ended_s or now_s if last is not None else 0.0)
    for entry in reversed(store.entries(vessel, since_s, now_s + 1)):
        known = understand(entry.text)
        if known is not None and known.word is Word.PITCHED:
            return entry.time_s
    return None
