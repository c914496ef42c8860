"""Keeps the running detectors and the database in step about batches.

Every other second: was yeast pitched into a vessel without a batch, has a batch begun or ended, have its wishes changed,
was a journal entry withdrawn? Then the vessel's detectors begin anew from the batch's beginning, out of the stored
readings: most of the work in this thread, the last few readings in the pipeline's, so that no alarm waits for it. And
what the detectors have derived, the stages and what there is to do next, is written down for the commands and the page
to read.
"""

import logging
import math
import threading
from collections.abc import Callable, MutableMapping, Sequence
from functools import partial

from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.batch_alarms import acknowledge_ended
from ullage.daemon.batches import BatchView, view
from ullage.daemon.clock import Clock
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.health import LoopHealth
from ullage.daemon.pipeline import Pipeline
from ullage.daemon.pitching import follow_pitching
from ullage.daemon.rebuild import Rebuilt, rebuild
from ullage.daemon.snapshot import dump, fingerprint
from ullage.daemon.store import batches
from ullage.daemon.store.store import Store
from ullage.daemon.ticker import Ticker
from ullage.detectors.journal import Word
from ullage.detectors.stage import NextStep, StageChange

log = logging.getLogger(__name__)

EVERY_S = 2.0
ALL_EVERY_S = 60.0
"""How soon every vessel is looked at, whether or not the database says that something has changed."""
AGAIN_AFTER_S = 60.0
"""Pause before detectors that could not begin anew are tried again."""

_NOTHING: object = ()
_AS_ADDED: object = object()
"""Stands for what the database said when a vessel was added: hundreds may come at once, and are looked at in turn."""

Kept = tuple[int, tuple[StageChange, ...], NextStep | None]


class BatchKeeper:
    """One thread for all vessels.

    Parameters
    ----------
    vessels
        As configured.
    views
        How each vessel stood when its detectors were rebuilt at the start.
    fingerprints
        Of each vessel's snapshots; changed here when a vessel begins anew.
    """

    def __init__(
        self,
        vessels: Sequence[WatchedVessel],
        views: Sequence[BatchView],
        *,
        store: Store,
        desk: AlarmDesk,
        pipeline: Pipeline,
        clock: Clock,
        fingerprints: MutableMapping[str, str],
    ) -> None:
        self._vessels = {vessel.vessel.name: vessel for vessel in vessels}
        self._views = {known.watched.vessel.name: known for known in views}
        self._store = store
        self._desk = desk
        self._pipeline = pipeline
        self._clock = clock
        self._fingerprints = fingerprints
        self._lock = threading.Lock()
        self._kept: dict[str, Kept] = {}
        self._not_before_s: dict[str, float] = {}
        self._signs: dict[str, object] = {}
        self._turn_of = 0
        self._outdated = False
        self._ticker = Ticker("batches", EVERY_S, self.turn, clock)

    def start(self) -> None:
        """Start the thread."""
        self._ticker.start()

    def stop(self) -> None:
        """End the thread, and write down what is not yet written."""
        self._ticker.stop()
        for name in self._vessels:
            self._keep(name)

    def loop_health(self) -> LoopHealth:
        """Tell whether the thread goes round."""
        return self._ticker.loop_health()

    def turn(self) -> None:
        """Look at every vessel whose batches or journal have changed, and at all of them once in a while."""
        if self._outdated:
            self._outdated = False
            with self._lock:
                self._views.clear()
                self._signs.clear()
                self._not_before_s.clear()
        signs = batches.signs(self._store)
        for name in self._in_turn():  # an entry may be dated ahead
            self._signs.pop(name, None)
        for name in tuple(self._vessels):
            with self._lock:
                if name in self._vessels:
                    self._mind(name, signs.get(name, _NOTHING))

    def _mind(self, name: str, sign: object) -> None:
        seen = self._signs.get(name)
        if seen is _AS_ADDED or (seen != sign and self._look(name)):
            self._signs[name] = sign
        self._keep(name)

    def _in_turn(self) -> tuple[str, ...]:
        """Return a few vessels, so that each has its turn once in `ALL_EVERY_S`."""
        names = tuple(self._vessels)
        count = math.ceil(len(names) * EVERY_S / ALL_EVERY_S)
        start = self._turn_of % len(names) if names else 0
        self._turn_of = start + count
        return names[start : start + count]

    def configure(self, vessels: Sequence[WatchedVessel]) -> None:
        """Keep these vessels from now on; detectors of a new or changed one begin at once, out of what is stored."""
        with self._lock:
            self._vessels = {vessel.vessel.name: vessel for vessel in vessels}
            self._signs.clear()
            for name in self._views.keys() - self._vessels.keys():
                for of_vessel in (self._views, self._fingerprints, self._kept, self._not_before_s):
                    of_vessel.pop(name, None)
            for name in self._vessels:
                self._not_before_s.pop(name, None)
                self._look(name)

    def renew(self) -> None:
        """Have the detectors of every vessel begin anew at the next turn, out of what is stored: their time was wrong."""
        self._outdated = True

    def add(self, vessel: WatchedVessel, known: BatchView) -> None:
        """Keep one more vessel, whose detectors run already and are as `known` has it.

        Raises
        ------
        StoreError
            If the database refuses.
        """
        name, batch_id = vessel.vessel.name, known.batch_id
        stages, step = batches.stages(self._store, name, batch_id), batches.next_step(self._store, name)
        self._kept[name] = (batch_id, stages, step)  # what is written already need not be written again
        self._signs[name], self._views[name] = _AS_ADDED, known
        self._fingerprints[name] = fingerprint(known.watched.vessel, known.watched.detectors, known.mark)
        self._vessels[name] = vessel

    def drop(self, name: str) -> str | None:
        """Write down what is not yet written of a vessel, and keep it no more; return the mark of its snapshots."""
        with self._lock:
            self._keep(name)
            mark = self._fingerprints.get(name)
            for of_vessel in (
                self._vessels, self._views, self._fingerprints, self._kept, self._not_before_s, self._signs
            ):  # fmt: skip
                of_vessel.pop(name, None)
        return mark

    def _look(self, name: str) -> bool:
        """Have the detectors begin anew if they must; return whether they are as they should be."""
        ended_s = follow_pitching(self._store, self._vessels[name], self._clock.wall_s())
        if ended_s is not None:
            acknowledge_ended(self._desk, name, Word.PITCHED.value, ended_s)
        found, known = view(self._store, self._vessels[name]), self._views.get(name)
        if known is None or _judged_by(found) != _judged_by(known):
            self._begin_anew(name, found)
            return False
        return True

    def _begin_anew(self, name: str, found: BatchView) -> None:
        now_s = self._clock.monotonic_s()
        if now_s < self._not_before_s.get(name, now_s):
            return
        self._not_before_s[name] = now_s + AGAIN_AFTER_S
        log.info("detectors begin anew", extra={"vessel": name, "batch": found.batch_id})
        make = partial(
            rebuild,
            found.watched,
            self._store,
            self._clock,
            self._desk.standing(),
            begin_s=found.begin_s,
            mark=found.mark,
        )
        outdated = name not in self._views
        mark = fingerprint(found.watched.vessel, found.watched.detectors, found.mark)
        first = make(snapshot=not outdated)
        self._store.save_snapshot(
            name, saved_s=self._clock.wall_s(), fingerprint=mark, payload=dump(first.watched.state())
        )
        self._pipeline.call(partial(self._swap, name, found, mark, first, make), timeout_s=5.0)

    def _swap(
        self, name: str, found: BatchView, mark: str, first: Rebuilt, make: Callable[[], Rebuilt]
    ) -> None:
        """Put the new detectors in the place of the old ones; runs in the pipeline's thread."""
        if name not in self._vessels:  # taken out of the configuration meanwhile
            return
        last = make()  # from the snapshot: only what has come meanwhile
        self._pipeline.replace(last.watched)
        self._fingerprints[name] = mark
        self._views[name] = found
        self._not_before_s.pop(name, None)
        self._pipeline.tell((*first.untold, *last.untold))

    def _keep(self, name: str) -> None:
        """Write down stages and next step if they have changed."""
        watched = self._pipeline.watched.get(name)
        if watched is None or name not in self._views:
            return
        record = watched.watch.record
        now: Kept = (self._views[name].batch_id, record.stages, record.next_step)
        if self._kept.get(name) != now:
            batches.keep_stages(self._store, name, *now)
            self._kept[name] = now


def _judged_by(view: BatchView) -> tuple[object, ...]:
    """Return what the detectors depend on; where the readings come from is no affair of theirs."""
    return view.mark, view.watched.vessel, view.watched.detectors
