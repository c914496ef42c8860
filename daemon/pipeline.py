"""The one thread that turns deliveries into findings, alarms and rows, the safety path first."""

import functools
import logging
import threading
from collections import Counter, deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from ullage.adapters.reading import Delivery, Quantity, Reading, Refusal
from ullage.daemon.clock import Clock
from ullage.daemon.gate import BELIEVABLE_WALL_S, FUTURE_S, LATE_S, Refused, WallClockGuard
from ullage.daemon.health import Heartbeat
from ullage.daemon.inbox import Inbox
from ullage.daemon.receipts import Receipts
from ullage.daemon.watched import Watched
from ullage.detectors.finding import Finding
from ullage.detectors.journal import is_mark
from ullage.detectors.samples import Entry

log = logging.getLogger(__name__)


class Shelf(Protocol):
    """Where judged readings and journal entries go: the store."""

    def append(self, readings: Sequence[Reading]) -> None:
        """Keep readings in memory until the next commit."""
        ...

    def add_entry(self, vessel: str, time_s: float, text: str, *, made_s: float) -> object:
        """Commit a journal entry; the same one twice is kept once."""
        ...


class Desk(Protocol):
    """Who turns findings into alarms and messages, in one committed transaction."""

    def take(self, findings: Sequence[Finding]) -> Sequence[object]:
        """Return what has become of them; empty when there is nothing to tell."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class PipelineSettings:
    """Sizes and times of the pipeline."""

    inbox_deliveries: int = 10_000
    """Deliveries that may wait; beyond it sources wait."""
    turn_deliveries: int = 1_000
    """Most deliveries judged before their findings are told: a flood delays no alarm by more than that."""
    tick_interval_s: float = 10.0
    waiting_findings: int = 10_000
    """Findings kept for the next try while the database refuses them."""
    retry_s: float = 5.0
    """Pause before findings that the database refused are tried again; new ones are tried at once."""
    idle_s: float = 1.0
    """Longest wait for a delivery."""


@dataclass(slots=True)
class Counts:
    """What the pipeline has done; read by status and the digest."""

    deliveries: int = 0
    readings: int = 0
    findings: int = 0
    events: int = 0
    entries: int = 0
    unstored: int = 0
    """Readings judged that the store would not take."""
    unacknowledged: int = 0
    turns: int = 0


class Pipeline:
    """Takes deliveries from every source and judges them in micro-batches.

    One turn: take all that waits; sort the readings by vessel; ask the detectors; tell the alarm desk; hand the
    readings to the store; acknowledge, or have it done with the next commit. Up to and including the detectors nothing
    waits for disk or network.

    Parameters
    ----------
    watched
        Vessel name to its detectors.
    shelf, desk
        Store and alarm desk.
    told
        Called after events were committed: wakes the notifier and has the readings behind the alarm written soon.
    receipts
        Holds deliveries back from being acknowledged until their readings are committed; None acknowledges at once.
    """

    def __init__(
        self,
        watched: Mapping[str, Watched],
        shelf: Shelf,
        desk: Desk,
        clock: Clock,
        *,
        settings: PipelineSettings | None = None,
        told: Callable[[], None] = lambda: None,
        receipts: Receipts | None = None,
    ) -> None:
        self.watched = watched
        self.counts = Counts()
        self.refused: Counter[str] = Counter()
        self.refusals: dict[str, Refusal] = {}
        self._shelf = shelf
        self._desk = desk
        self._clock = clock
        self._settings = settings or PipelineSettings()
        self.told = told
        self.held: Callable[[], None] = lambda: None
        """Called when so many deliveries are held back that a commit should come soon."""
        self._receipts = receipts
        if receipts is not None:
            receipts.acknowledge = self._acknowledge
        self._inbox: Inbox[Delivery | Callable[[], None]] = Inbox(self._settings.inbox_deliveries)
        self._waiting: deque[Finding] = deque(maxlen=self._settings.waiting_findings)
        self._guard = WallClockGuard(clock)
        self._next_tick_s = clock.monotonic_s() + self._settings.tick_interval_s
        self._retry_at_s = 0.0
        self._thread: threading.Thread | None = None
        self._stopping = threading.Event()
        self._errors: dict[str, str] = {}
        self.heartbeat = Heartbeat("detectors", clock, longest_turn_s=30.0)

    def deliver(self, delivery: Delivery) -> None:
        """Take one delivery from a source; waits while the inbox is full, and drops it unacknowledged once closed."""
        if not self._inbox.put(delivery):
            self.counts.unacknowledged += 1

    def call(self, action: Callable[[], None], timeout_s: float | None = None) -> bool:
        """Run `action` on the pipeline's thread after all that waits now; False when it found no place."""
        return self._inbox.put(action, timeout_s)

    def check_silence(self) -> None:
        """Have every vessel's time come to its detectors at the next turn, were the regular ticks to fail."""
        self.call(self._tick_all, timeout_s=5.0)

    def replace(self, watched: Watched) -> None:
        """Put other detectors in the place of a vessel's. For the pipeline's own thread: see `call`."""
        self.watched = {**self.watched, watched.name: watched}

    def remove(self, vessel: str) -> None:
        """Watch over a vessel no more. For the pipeline's own thread: see `call`."""
        self.watched = {name: watched for name, watched in self.watched.items() if name != vessel}

    def start(self) -> None:
        """Start the thread."""
        self._thread = threading.Thread(target=self._run, name="pipeline", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 10.0) -> None:
        """Judge what waits, then end the thread."""
        self._inbox.close()
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout_s)

    def alive(self) -> bool:
        """Tell whether the thread runs."""
        return self._thread is not None and self._thread.is_alive()

    @property
    def waiting(self) -> int:
        """Deliveries not yet judged."""
        return len(self._inbox)

    @property
    def full_waits(self) -> int:
        """How often a source had to wait for room."""
        return self._inbox.full_waits

    @property
    def clock_steps(self) -> int:
        """How often the wall clock was set while the daemon ran."""
        return self._guard.steps

    def _run(self) -> None:
        while not (self._stopping.is_set() and not len(self._inbox)):
            due_s = self._next_tick_s - self._clock.monotonic_s()
            self.turn(max(0.0, min(self._settings.idle_s, due_s)))

    def turn(self, timeout_s: float = 0.0) -> int:
        """Do one turn: wait up to `timeout_s` for work, do it, tick when due. Returns the items taken."""
        items = self._inbox.take(self._settings.turn_deliveries, timeout_s)
        self._mind_the_clock()
        start = 0
        for index, item in enumerate(items):
            if not isinstance(item, Delivery):
                self._judge([d for d in items[start:index] if isinstance(d, Delivery)])
                self._try("call", item)
                start = index + 1
        self._judge([d for d in items[start:] if isinstance(d, Delivery)])
        self._tick()
        if self._waiting and self._clock.monotonic_s() >= self._retry_at_s:
            self.tell(())
        self.counts.turns += 1
        self.heartbeat.beat()
        return len(items)

    def enter(self, vessel: str, entry: Entry, entry_id: int = 0) -> None:
        """Take a journal entry that is stored already. For the pipeline's own thread: see `call`."""
        watched = self.watched.get(vessel)
        if watched is not None:
            self.counts.entries += 1
            log.info("journal entry", extra={"vessel": vessel, "entry": entry.text[:200]})
            self.tell(watched.enter(entry, entry_id))

    def tell(self, findings: Sequence[Finding]) -> None:
        """Hand findings to the desk; what it can't take now waits for the next turn."""
        self.counts.findings += len(findings)
        self._waiting.extend(findings)
        if not self._waiting:
            return
        try:
            events = self._desk.take(tuple(self._waiting))
        except Exception as error:  # noqa: BLE001 - detectors go on while the database is away
            self._retry_at_s = self._clock.monotonic_s() + self._settings.retry_s
            self._complain("alarms not stored", error)
            return
        self._relieved("alarms not stored")
        self._waiting.clear()
        self.counts.events += len(events)
        if events:
            self.told()

    def _judge(self, deliveries: Sequence[Delivery]) -> None:
        if not deliveries:
            return
        wall_s = self._clock.wall_s()
        kept: list[Reading] = []
        entries: list[Reading] = []
        findings: list[Finding] = []
        touched: dict[str, Watched] = {}
        for delivery in deliveries:
            for refusal in delivery.refusals:
                self._count(f"{refusal.source}:{refusal.reason}")
                self.refusals[refusal.source] = refusal
            for reading in delivery.readings:
                watched = self.watched.get(reading.vessel)
                if watched is None:
                    self._count(Refused.UNKNOWN_VESSEL)
                elif reading.quantity is Quantity.JOURNAL:
                    if reading.time_s > wall_s + FUTURE_S and wall_s >= BELIEVABLE_WALL_S:
                        self._count(Refused.FUTURE)
                        continue
                    if is_mark(reading.text):
                        self._count(Refused.MARK)
                        continue
                    findings += watched.judge()  # an entry keeps its place in the stream
                    findings += watched.enter(Entry(time_s=reading.time_s, text=reading.text))
                    entries.append(reading)
                else:
                    refused = watched.admit(reading, wall_s)
                    if refused is None:
                        kept.append(reading)
                        touched[reading.vessel] = watched
                    else:
                        self._count(refused)
        for watched in touched.values():
            findings += watched.judge()
        self.counts.deliveries += len(deliveries)
        if kept and not self.counts.readings:
            log.info("first reading judged", extra={"vessel": kept[0].vessel})
        self.counts.readings += len(kept)
        if findings:
            self.tell(findings)
        stored = self._keep(kept, entries)
        self._receive(deliveries, wait=stored)

    def _keep(self, readings: Sequence[Reading], entries: Sequence[Reading]) -> bool:
        """Hand over to the store; return whether readings wait for its next commit now."""
        waiting = False
        if readings:
            try:
                self._shelf.append(readings)
            except Exception as error:  # noqa: BLE001 - judged is judged: a full disk must not stop the next one
                self.counts.unstored += len(readings)
                self._complain("readings not stored", error)
            else:
                self._relieved("readings not stored")
                waiting = True
        for entry in entries:
            self.counts.entries += 1
            self._try("journal entry not stored", functools.partial(self._store_entry, entry))
        return waiting

    def _receive(self, deliveries: Sequence[Delivery], *, wait: bool) -> None:
        """Acknowledge, or have it done with the next commit."""
        soon = False
        for delivery in deliveries:
            if self._receipts is None or not wait or not delivery.readings:
                self._acknowledge(delivery)
            else:
                soon |= self._receipts.hold(delivery)
        if soon:
            self.held()

    def _store_entry(self, entry: Reading) -> None:
        self._shelf.add_entry(entry.vessel, entry.time_s, entry.text, made_s=self._clock.wall_s())

    def _acknowledge(self, delivery: Delivery) -> None:
        try:
            delivery.acknowledge()
        except Exception as error:  # noqa: BLE001 - the source is gone; the sender will repeat, the gate knows repeats
            self.counts.unacknowledged += 1
            self._complain("not acknowledged", error)

    def _mind_the_clock(self) -> None:
        step_s = self._guard.check()
        if not step_s:
            return
        log.warning("wall clock was set", extra={"step_s": round(step_s, 1)})
        for watched in self.watched.values():
            if step_s < 0:
                watched.gate.stepped_back(self._clock.wall_s())
            if step_s < -LATE_S:
                watched.renew()  # the old detectors have seen a time that will not come for long
            watched.time.unsettle(watched.known())

    def _tick(self) -> None:
        now_s = self._clock.monotonic_s()
        if now_s < self._next_tick_s:
            return
        self._tick_all()

    def _tick_all(self) -> None:
        self._next_tick_s = self._clock.monotonic_s() + self._settings.tick_interval_s
        findings: list[Finding] = []
        for watched in self.watched.values():
            findings += watched.tick()
        if findings:
            self.tell(findings)

    def _count(self, why: str) -> None:
        if why not in self.refused:
            log.warning("readings refused", extra={"reason": str(why)})
        self.refused[str(why)] += 1

    def _try(self, what: str, action: Callable[[], object]) -> None:
        try:
            action()
        except Exception as error:  # noqa: BLE001 - the pipeline outlives whatever it calls
            self._complain(what, error)
        else:
            self._relieved(what)

    def _complain(self, what: str, error: Exception) -> None:
        said = f"{type(error).__name__}: {error}"
        if self._errors.get(what) != said:  # a repeating failure is logged once, until it changes
            self._errors[what] = said
            log.error("pipeline trouble", extra={"what": what, "error": said})

    def _relieved(self, what: str) -> None:
        if self._errors and self._errors.pop(what, None) is not None:
            log.info("pipeline trouble over", extra={"what": what})
