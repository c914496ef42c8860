"""What the page knows and may do: one object between the web server and the running daemon.

Whatever is shown comes from the database, the alarm desk and the detectors' own memory; whatever is done goes the way
that a command would take: an entry into the journal, a word to the alarm desk. Nothing here touches a detector.
"""

import math
import threading
from collections.abc import Mapping, Sequence
from dataclasses import replace

from ullage.adapters.entry_units import in_canonical_units
from ullage.adapters.errors import ConfigError, StoreError
from ullage.adapters.reading import Quantity, Reading
from ullage.adapters.source import Source, SourceHealth
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.chart.batch_spans import LOOK_BACK_S
from ullage.daemon.chart.lookback import LookBack
from ullage.daemon.clock import Clock
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.local_time import LocalTime
from ullage.daemon.pipeline import Pipeline
from ullage.daemon.status import VesselStatus, carbonation_now, vessel_statuses
from ullage.daemon.store.journal import JournalEntry
from ullage.daemon.store.store import Store
from ullage.daemon.withdrawing import withdraw
from ullage.detectors.journal import is_mark, mistake
from ullage.detectors.silent import SilentSettings
from ullage.detectors.stage import current
from ullage.detectors.vessel import Vessel

SLOW_S = 10.0
"""How long what changes slowly (trend, batch, gravity) may be remembered."""
LONGEST_ENTRY = 500
FUTURE_S = 60.0


class Cellar:
    """Safe to call from several threads.

    Parameters
    ----------
    store, desk
        The database and the alarms.
    vessels
        As configured.
    clock
        The daemon's.
    zone
        In which times are shown.
    pipeline
        The running one: newest readings and stages come from its detectors.
    sources
        For their health.
    """

    def __init__(
        self,
        store: Store,
        desk: AlarmDesk,
        vessels: Sequence[WatchedVessel],
        clock: Clock,
        zone: LocalTime,
        pipeline: Pipeline,
        sources: Sequence[Source] = (),
    ) -> None:
        self.store = store
        self.desk = desk
        self.vessels = {watched.vessel.name: watched for watched in vessels}
        self.clock = clock
        self.zone = zone
        self.pipeline = pipeline
        self.sources = tuple(sources)
        self.lookback = LookBack(store, vessels, clock, lambda: pipeline.watched)
        self._lock = threading.Lock()
        self._slow: tuple[VesselStatus, ...] = ()
        self._slow_until_s = -math.inf
        self._entries: dict[str, tuple[float, tuple[JournalEntry, ...]]] = {}

    # -- how it stands ---------------------------------------------------------------------------------------------

    def now_s(self) -> float:
        """Return the time, Unix seconds."""
        return self.clock.wall_s()

    def names(self) -> tuple[str, ...]:
        """Return the vessels' names in the order of the configuration."""
        return tuple(self.vessels)

    def vessel(self, name: str) -> Vessel:
        """Return a vessel with the wishes of the batch that is in it.

        Raises
        ------
        KeyError
            If there is none of that name.
        """
        return self.lookback.vessel(name)

    def stale_after_s(self, name: str) -> float:
        """Return the age from which a reading of this vessel is old: that from which its silence is an alarm."""
        settings = self.vessels[name].detectors.get("silent")
        minutes = settings.after_min if isinstance(settings, SilentSettings) else SilentSettings().after_min
        return float(minutes) * 60

    def unmeasured(self, name: str) -> frozenset[Quantity]:
        """Return what nobody means to measure in this vessel; nothing where its channels are not known."""
        channels = {channel.quantity for channel in self.vessels[name].channels}
        return frozenset(Quantity) - channels if channels else frozenset()

    def statuses(self) -> tuple[VesselStatus, ...]:
        """Return the installation itself, then every vessel, as they stand this moment.

        Raises
        ------
        StoreError
            If the database refuses and nothing is remembered.
        """
        shelved = self.desk.shelved()
        return tuple(self._fresh(status, shelved) for status in self._slowly())

    def sources_health(self) -> tuple[SourceHealth, ...]:
        """Return how every source is doing."""
        return tuple(source.health() for source in self.sources)

    def forget(self) -> None:
        """Look anew at what changes slowly: something has just been done."""
        with self._lock:
            self._slow_until_s = -math.inf
            self._entries.clear()

    def _slowly(self) -> tuple[VesselStatus, ...]:
        with self._lock:
            now_s = self.clock.monotonic_s()
            if now_s >= self._slow_until_s or not self._slow:
                try:
                    self._slow = vessel_statuses(self.store, self.desk, tuple(self.vessels.values()))
                except StoreError:
                    if not self._slow:
                        raise
                self._slow_until_s = now_s + SLOW_S
            return self._slow

    def _fresh(self, status: VesselStatus, shelved: Sequence[tuple[str, str, float]]) -> VesselStatus:
        """Put what is known this moment over what is remembered."""
        alarms = self.desk.standing(status.name)
        shelves = tuple((what, until_s) for owner, what, until_s in shelved if owner == status.name)
        watched = self.pipeline.watched.get(status.name)
        if watched is None:
            return replace(status, alarms=alarms, shelved=shelves)
        latest = _newer(status.latest, dict(watched.latest))
        record = watched.watch.record
        return replace(
            status,
            alarms=alarms,
            shelved=shelves,
            latest=latest,
            stage=current(record.stages) or status.stage,
            step=record.next_step or status.step,
            carbonation_g_per_l=carbonation_now(watched.watch.vessel, latest),
        )

    # -- looking back ----------------------------------------------------------------------------------------------

    def entries(self, name: str, limit: int = 12) -> tuple[JournalEntry, ...]:
        """Return the newest entries of a vessel's journal, the newest first; remembered for a moment."""
        now_s = self.clock.monotonic_s()
        with self._lock:
            known = self._entries.get(name)
        if known is None or now_s >= known[0]:
            found = self.store.entries(name, self.now_s() - LOOK_BACK_S)
            known = (now_s + SLOW_S / 2, tuple(reversed(found)))
            with self._lock:
                self._entries[name] = known
        return known[1][:limit]

    # -- doing -----------------------------------------------------------------------------------------------------

    def acknowledge(self, owner: str, condition: str | None, actor: str) -> int:
        """Acknowledge what stands; return how many alarms that changed.

        Raises
        ------
        StoreError
            If it can't be written.
        """
        changed = self.desk.acknowledge(owner, condition, actor)
        self.forget()
        return len(changed)

    def shelve(self, owner: str, condition: str, hours: float, actor: str) -> float:
        """Keep a condition quiet; return until when (Unix seconds).

        Raises
        ------
        ConfigError
            If it may not be shelved, or not for so long.
        StoreError
            If it can't be written.
        """
        until_s = self.desk.shelve(owner, condition, hours, actor)
        self.forget()
        return until_s

    def unshelve(self, owner: str, condition: str, actor: str) -> bool:
        """Tell of a condition again; return whether it was shelved.

        Raises
        ------
        StoreError
            If it can't be written.
        """
        done = self.desk.unshelve(owner, condition, actor)
        self.forget()
        return done

    def enter(self, name: str, text: str, time_s: float | None) -> int:
        """Write into a vessel's journal; return the entry's number. The running detectors take it from there.

        Raises
        ------
        ConfigError
            If the text or the time can't be used.
        StoreError
            If it can't be written.
        """
        now_s = self.now_s()
        text = in_canonical_units(" ".join(text.split()))
        if not text or not text.isprintable() or len(text) > LONGEST_ENTRY:
            raise ConfigError(
                "text", f"must be 1 to {LONGEST_ENTRY} printable characters", "as in `valve shut`"
            )
        if wrong := mistake(text):
            raise ConfigError("text", f"{text!r} can't be", wrong)
        if is_mark(text):
            raise ConfigError("text", f"{text!r} is made by a command", "enter `pitched` to begin a batch")
        if time_s is not None and (not math.isfinite(time_s) or time_s > now_s + FUTURE_S or time_s < 0):
            raise ConfigError("time", "must not lie in the future", "the journal is for what has happened")
        number = self.store.add_entry(name, now_s if time_s is None else time_s, text, made_s=now_s)
        self.forget()
        return number

    def strike(self, name: str, entry_id: int) -> None:
        """Take an entry of a vessel's journal back; it stays readable as withdrawn.

        Raises
        ------
        ConfigError
            If this vessel has no such entry, it was taken back before, or it is a mark that has to stay.
        StoreError
            If it can't be written.
        """
        entry = next((entry for entry in self.store.entries(name) if entry.id == entry_id), None)
        if entry is None:
            raise ConfigError("entry", f"{entry_id} is not in the journal of {name}")
        withdraw(self.store, name, entry, self.now_s())
        self.forget()


def _newer(
    some: Mapping[Quantity, Reading], others: Mapping[Quantity, Reading]
) -> Mapping[Quantity, Reading]:
    """Return the newer reading of each quantity."""
    found = dict(some)
    for quantity, reading in others.items():
        if quantity not in found or reading.time_s >= found[quantity].time_s:
            found[quantity] = reading
    return found
