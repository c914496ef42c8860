"""Brings detectors back to where they were: from a snapshot, and from the readings and entries stored after it.

What a stored reading showed was told before that reading was written (the pipeline's order), so findings made again
here are not told again, with two exceptions that a refused commit or a kill in the wrong moment can leave behind: an
alarm that the rebuilt detectors hold raised and the database does not, and a notice of which the database knows none
(of what the brewer has done meanwhile, none is owed any more).
A snapshot is written only when all that its detectors have found is; should it be ahead all the same, its alarms are told.
Alarms the other way round become orphans and are cleared when their sensors have been heard for a while.
"""

import logging
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ullage.adapters.reading import Quantity
from ullage.daemon.alarm_states import Alarm, AlarmKey
from ullage.daemon.clock import Clock
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.gate import FUTURE_S, REMEMBERED
from ullage.daemon.snapshot import Saved, SnapshotRefused, fingerprint, load
from ullage.daemon.store.journal import JournalEntry
from ullage.daemon.store.noted import noted_since
from ullage.daemon.store.store import Store
from ullage.daemon.vessel_time import REGULAR
from ullage.daemon.watched import KINDS, Watched
from ullage.detectors.finding import OF_THE_BATCH, Condition, Finding, Priority, State
from ullage.detectors.samples import Entry, Samples
from ullage.detectors.waits import still_due
from ullage.detectors.watch import VesselWatch

log = logging.getLogger(__name__)

HISTORY_S = 45 * 86_400.0
"""How far back a vessel without a usable snapshot is judged again, unless its batch is younger."""
BEFORE_PITCHING_S = 86_400.0
"""An empty vessel before pitching shows where its pressure sensor's zero is."""
LATE_NOTICE_S = 3600.0
"""A notice told up to this long before the snapshot counts as told: its time may differ when it is found again."""
REPEATS_S = 600.0
"""Readings this old may be delivered again by a broker; the gate must know them."""

_QUANTITIES = {int(kind): quantity for quantity, kind in KINDS.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Rebuilt:
    """A vessel's detectors, and what they have to tell that nobody was told."""

    watched: Watched
    untold: tuple[Finding, ...]
    readings: int
    """Stored readings judged again."""
    resumed: bool
    """Whether a snapshot could be used."""


def rebuild(
    vessel: WatchedVessel,
    store: Store,
    clock: Clock,
    standing: Sequence[Alarm],
    *,
    begin_s: float | None = None,
    mark: str = "",
    snapshot: bool = True,
) -> Rebuilt:
    """Return the vessel's detectors as they were when the daemon ended.

    Parameters
    ----------
    vessel
        As configured now.
    store
        The database; nothing is written.
    standing
        The alarms that stand in it, of all vessels.
    begin_s
        Where the batch in the vessel began: nothing before it is judged. Found out from the journal if it is None.
    mark
        As given to `fingerprint` for the vessel's snapshots.
    snapshot
        Whether the stored state may be used.

    Raises
    ------
    StoreError
        If the database can't be read.
    """
    name = vessel.vessel.name
    watched = Watched(name, lambda: VesselWatch(vessel.vessel, vessel.detectors), clock)
    latest_s = clock.wall_s() + FUTURE_S
    saved = None
    if snapshot:
        saved = _saved(store, name, fingerprint(vessel.vessel, vessel.detectors, mark), latest_s)
    if begin_s is not None:
        watched.begin_s = begin_s
    if saved is not None:
        watched.resume(saved)
        since_s = max(_judged_until_s(saved), watched.begin_s)
    else:
        since_s = begin_s if begin_s is not None else _start_of_history_s(store, name, clock.wall_s())
        # entries of earlier batches are known, and not to be read again
        watched.last_entry_id = max((entry.id for entry in store.entries(name, None, begin_s)), default=0)
    told_since_s = since_s if saved is None else since_s - LATE_NOTICE_S
    entries = _entries(store, name, saved, since_s)
    found, readings = _judge(watched, _stream(_unjudged(store, watched, saved, since_s, latest_s), entries))
    untold = _untold(watched, store, found, standing, told_since_s)
    watched.time.unsettle(watched.known())
    first_start = saved is None and not readings and not untold
    log.log(
        logging.DEBUG if first_start else logging.INFO,
        "detectors rebuilt",
        extra={"vessel": name, "snapshot": saved is not None, "readings": readings, "untold": len(untold)},
    )
    return Rebuilt(watched=watched, untold=untold, readings=readings, resumed=saved is not None)


def _judge(watched: Watched, stream: Iterable[Samples | JournalEntry]) -> tuple[list[Finding], int]:
    """Feed what is stored to the detectors; return what they find, and how many readings there were."""
    found: list[Finding] = []
    readings = 0
    for item in stream:
        if isinstance(item, Samples):
            readings += len(item)
            found += watched.take(item)
        else:
            found += watched.enter(Entry(time_s=item.time_s, text=item.text), item.id)
    return found, readings


def _found_before(key: AlarmKey, priority: Priority, time_s: float) -> Finding:
    return Finding(
        time_s=time_s,
        vessel=key.vessel,
        condition=Condition(key.condition),
        state=State.RAISED,
        priority=priority,
        subject=key.subject,
        text="It was found just before the program was started anew, and holds. Look at the vessel.",
    )


def _saved(store: Store, vessel: str, mark: str, latest_s: float) -> Saved | None:
    """Return the stored state, unless it is of other settings, damaged, or of a clock that was ahead of `latest_s`.

    Detectors of a clock that was ahead would wait for that time to come.
    """
    snapshot = store.load_snapshot(vessel)
    if snapshot is None:
        return None
    if snapshot.fingerprint != mark:
        log.info("snapshot of other settings or another version is not used", extra={"vessel": vessel})
        return None
    try:
        saved = load(snapshot.payload)
    except SnapshotRefused as error:
        log.warning("snapshot refused", extra={"vessel": vessel, "error": str(error)})
        return None
    return saved if max(saved.newest_ms.values(), default=0) / 1000 <= latest_s else None


def _judged_until_s(saved: Saved) -> float:
    """Return the time from which some regular quantity may hold readings not yet judged."""
    newest = [ms for q, ms in saved.newest_ms.items() if Quantity(q) in REGULAR]
    return min(newest or saved.newest_ms.values(), default=0) / 1000


def _start_of_history_s(store: Store, vessel: str, now_s: float) -> float:
    """Return where judging begins anew: a day before the latest pitching, at most `HISTORY_S` back."""
    newest_s = max((reading.time_s for reading in store.latest(vessel).values()), default=now_s)
    earliest_s = min(newest_s, now_s) - HISTORY_S
    pitched = [e.time_s for e in store.entries(vessel, earliest_s) if e.text.strip().lower() == "pitched"]
    return max(earliest_s, pitched[-1] - BEFORE_PITCHING_S) if pitched else earliest_s


def _entries(store: Store, vessel: str, saved: Saved | None, since_s: float) -> tuple[JournalEntry, ...]:
    if saved is None:
        return store.entries(vessel, since_s)
    return tuple(entry for entry in store.entries(vessel) if entry.id > saved.last_entry_id)


def _unjudged(
    store: Store, watched: Watched, saved: Saved | None, since_s: float, latest_s: float
) -> Iterator[Samples]:
    """Yield stored readings that the snapshot has not seen; the gate takes note of all, to know repeats by.

    Those from the future are left out: a clock that was ahead has stamped them.
    """
    newest_ms = saved.newest_ms if saved is not None else {}
    after_ms = np.full(len(_QUANTITIES), -(2**62), np.int64)
    for code, quantity in _QUANTITIES.items():
        after_ms[code] = newest_ms.get(quantity.value, -(2**62))
    for chunk in store.iter_samples(watched.name, since_s - REPEATS_S, latest_s):
        _remember(watched, chunk)
        time_ms = np.rint(chunk.time_s * 1000).astype(np.int64)
        new = (time_ms > after_ms[chunk.kind]) & (time_ms >= round(since_s * 1000))
        if new.all():
            yield chunk
        elif new.any():
            yield Samples(time_s=chunk.time_s[new], kind=chunk.kind[new], value=chunk.value[new])
    for name, ms in newest_ms.items():  # readings judged but lost with the kill are judged all the same
        watched.gate.remember(Quantity(name), ms / 1000, float("nan"))


def _remember(watched: Watched, chunk: Samples) -> None:
    for code, quantity in _QUANTITIES.items():
        rows = np.flatnonzero(chunk.kind == code)[-REMEMBERED:]
        for row in rows.tolist():
            watched.gate.remember(quantity, float(chunk.time_s[row]), float(chunk.value[row]))


def _stream(chunks: Iterator[Samples], entries: Sequence[JournalEntry]) -> Iterator[Samples | JournalEntry]:
    """Yield readings and entries in the order of time."""
    waiting = sorted(entries, key=lambda entry: (entry.time_s, entry.id))
    for chunk in chunks:
        start = 0
        while waiting and waiting[0].time_s <= chunk.time_s[-1]:
            place = int(np.searchsorted(chunk.time_s, waiting[0].time_s))
            if place > start:
                yield chunk.cut(start, place)
                start = place
            yield waiting.pop(0)
        if start < len(chunk):
            yield chunk.cut(start, len(chunk))
    yield from waiting


def _untold(
    watched: Watched,
    store: Store,
    found: Sequence[Finding],
    standing: Sequence[Alarm],
    told_since_s: float,
) -> tuple[Finding, ...]:
    """Compare what the detectors hold with what the database holds; orphans go to `watched`."""
    stored: Mapping[AlarmKey, Alarm] = {
        alarm.key: alarm for alarm in standing if alarm.vessel == watched.name and alarm.active
    }
    over = tuple(
        _over_with_its_batch(watched, key, alarm)
        for key, alarm in stored.items()
        if _of_earlier_batch(watched, key, alarm)
    )
    for key, alarm in stored.items():
        if key not in watched.standing and not _of_earlier_batch(watched, key, alarm):
            watched.orphans.adopt(key, alarm.priority)
    raised: dict[AlarmKey, Finding] = {}
    notices: dict[tuple[str, str], Finding] = {}
    for finding in found:
        if finding.state is State.RAISED:
            raised[AlarmKey(finding.vessel, finding.condition.value, finding.subject)] = finding
        elif finding.state is State.NOTED:
            notices[finding.condition.value, finding.subject] = finding
    untold: list[Finding] = list(over)
    for key, finding in raised.items():
        if key in watched.standing and key not in stored:
            # an entry made while nothing ran brings the time with it, and nobody could be heard then
            untold += watched.hold_silence(finding)
    for key, priority in watched.standing.items():
        if key not in stored and key not in raised:  # held by the snapshot, and never written
            untold += watched.hold_silence(_found_before(key, priority, told_since_s))
    if notices:
        noted = noted_since(store, watched.name, told_since_s)
        record = watched.watch.record
        untold += [f for what, f in notices.items() if what not in noted and still_due(f, record)]
    return tuple(sorted(untold, key=lambda finding: finding.time_s))


def _of_earlier_batch(watched: Watched, key: AlarmKey, alarm: Alarm) -> bool:
    """Tell whether an alarm is about what was in the vessel before its batch began, or before the last one ended."""
    return key not in watched.standing and key.condition in OF_THE_BATCH and alarm.raised_s < watched.begin_s


def _over_with_its_batch(watched: Watched, key: AlarmKey, alarm: Alarm) -> Finding:
    ended = watched.watch.record.ended_s is not None
    return Finding(
        time_s=max(watched.begin_s, alarm.raised_s),
        vessel=key.vessel,
        condition=Condition(key.condition),
        state=State.CLEARED,
        priority=alarm.priority,
        subject=key.subject,
        text="Over: the batch that it was about has ended."
        if ended
        else "Over: it was about what was in the vessel before this batch began.",
    )
