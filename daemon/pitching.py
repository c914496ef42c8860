"""A batch begins with the word `pitched` where none is current, whoever entered it: command, page, button or script.

Four cases. The vessel has no batch: one begins at the moment of pitching. The batch in it is conditioned or on tap: the
brewer has filled the vessel anew and forgot to end it, so it ends there and another begins. The batch was begun by command
and the word comes afterwards, for a moment before that: it began there. The entry is withdrawn: the batch that it began is
withdrawn with it, unless it has got a word of its own by `ullage batch start` meanwhile, and a batch that it had ended
goes on.
"""

import logging
from dataclasses import replace

from ullage.daemon.batches import BEFORE_S, LONGEST_BATCH_S, LOOK_BACK_S, begin, current
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.store import batches
from ullage.daemon.store.batches import StoredBatch
from ullage.daemon.store.store import Store
from ullage.detectors.batch import Batch
from ullage.detectors.journal import Word
from ullage.detectors.stage import Stage
from ullage.detectors.stage import current as current_stage

log = logging.getLogger(__name__)


def follow_pitching(store: Store, watched: WatchedVessel, now_s: float) -> float | None:
    """Begin or withdraw a vessel's batch as the journal's latest `pitched` says.

    Returns
    -------
    ended_s
        When the batch before it ended, if this has ended one.

    Raises
    ------
    StoreError
        If the database refuses.
    """
    name = watched.vessel.name
    _withdraw_struck(store, name, now_s)
    last = batches.newest(store, name)
    pitching = batches.last_pitching(store, name, now_s - LONGEST_BATCH_S, now_s + 1)
    if pitching is None:
        return None
    entry_id, pitched_s = pitching
    if last is not None and last.ended_s is None:
        if pitched_s < last.began_s:
            _begin_earlier(store, last, entry_id, pitched_s, now_s)
            return None
        if not _filled_anew(store, last, pitched_s):
            return None
        batches.end(store, last.id, ended_s=pitched_s, summary="")
        log.info("batch ended by the next pitching", extra={"vessel": name, "batch": last.id})
    elif last is not None and last.ended_s is not None and pitched_s < last.ended_s:
        return None
    begun = begin(
        store,
        name,
        watched.vessel.batch or Batch(),
        now_s=now_s,
        began_s=pitched_s,
        origin=f"{batches.BY_PITCHING} {entry_id}",
    )
    log.info("batch begun by pitching", extra={"vessel": name, "batch": begun.id})
    return pitched_s if last is not None and last.ended_s is None else None


def _begin_earlier(store: Store, batch: StoredBatch, entry_id: int, pitched_s: float, now_s: float) -> None:
    """Move the beginning of a batch to the pitching that was entered after it."""
    others = [b.ended_s for b in batches.all_batches(store, batch.vessel) if b.ended_s is not None]
    if pitched_s < max([*others, batch.began_s - LOOK_BACK_S]):
        return
    if batch.origin != batches.BY_COMMAND or not batches.made_after(store, entry_id, batch.id):
        return
    _strike_mark(store, batch, now_s)
    batches.move(store, batch.id, pitched_s)
    store.add_entry(batch.vessel, pitched_s - BEFORE_S, Word.BATCH_STARTED.value, made_s=now_s)
    log.info("batch begins with its pitching", extra={"vessel": batch.vessel, "batch": batch.id})


def _filled_anew(store: Store, batch: StoredBatch, pitched_s: float) -> bool:
    """Tell whether a batch was ready, or drunk, when somebody pitched."""
    stages = batches.stages(store, batch.vessel, batch.id)
    stage = current_stage(stages)
    return stage is not None and stage.stage.place >= Stage.CONDITIONED.place and pitched_s > stage.since_s


def _withdraw_struck(store: Store, name: str, now_s: float) -> None:
    """Withdraw the current batch if the entry that began it was withdrawn."""
    batch = _by_pitching(store, name)
    if batch is not None and not batches.stands(store, int(batch.origin.removeprefix(batches.BY_PITCHING))):
        _withdraw(store, batch, now_s)
        log.info("batch withdrawn with its pitching", extra={"vessel": name, "batch": batch.id})


def take_over(
    store: Store, vessel: str, wishes: Batch, *, now_s: float, began_s: float | None = None
) -> StoredBatch | None:
    """Give the batch that pitching began its wishes, and another beginning if one is stated.

    Returns
    -------
    taken
        The batch as it is now; None if the vessel has none that pitching began.

    Raises
    ------
    StoreError
        If the database refuses, or it would overlap the batch before it.
    """
    batch = _by_pitching(store, vessel)
    if batch is None:
        return None
    if began_s is not None:
        _withdraw(store, batch, now_s)
        return begin(store, vessel, wishes, now_s=now_s, began_s=began_s)
    batches.change_wishes(store, batch.id, wishes, origin=batches.BY_COMMAND)
    return replace(batch, wishes=wishes, origin=batches.BY_COMMAND)


def _by_pitching(store: Store, vessel: str) -> StoredBatch | None:
    """Return the current batch if pitching began it."""
    batch = current(store, vessel)
    return batch if batch is not None and batch.origin.startswith(batches.BY_PITCHING) else None


def _withdraw(store: Store, batch: StoredBatch, now_s: float) -> None:
    """Take a batch back, and the mark of its beginning in the journal."""
    _strike_mark(store, batch, now_s)
    batches.withdraw(store, batch)


def _strike_mark(store: Store, batch: StoredBatch, now_s: float) -> None:
    """Take the mark of a batch's beginning out of the journal."""
    for mark in store.entries(batch.vessel, batch.began_s - BEFORE_S, batch.began_s):
        if mark.text == Word.BATCH_STARTED.value:
            store.strike_entry(mark.id, made_s=now_s)
