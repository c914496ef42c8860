"""The one thread that turns deliveries into findings; what comes of them is put down by another (`books`)."""

import logging
import threading
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

from ullage.adapters.reading import Delivery, Quantity, Reading, Refusal
from ullage.daemon.books import Books, BooksSettings, Counts, Desk, Page, Shelf
from ullage.daemon.clock import Clock
from ullage.daemon.gaps import Gaps
from ullage.daemon.gate import FUTURE_S, Refused, WallClockGuard
from ullage.daemon.health import Heartbeat
from ullage.daemon.inbox import Inbox
from ullage.daemon.receipts import Receipts
from ullage.daemon.steady_clock import BELIEVABLE_S, SMALL_S
from ullage.daemon.watched import Watched
from ullage.detectors.finding import Finding
from ullage.detectors.journal import is_mark
from ullage.detectors.samples import Entry

log = logging.getLogger(__name__)

COMPLAINTS = 50
"""Lines in the log about refused readings; a flood of rubbish must not fill the disk."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PipelineSettings:
    """Sizes and times of the pipeline."""

    inbox_readings: int = 10_000
    """That may wait to be judged, beyond it sources wait: an alarm behind them is late by as long as they take."""
    turn_deliveries: int = 1_000
    """Most deliveries judged before their findings are told: a flood delays no alarm by more than that."""
    tick_interval_s: float = 10.0
    books: BooksSettings = field(default_factory=BooksSettings)
    idle_s: float = 1.0
    """Longest wait for a delivery."""
    gather_s: float = 0.0
    """Pause after a turn that had work, so that the next one has more at once: with hundreds of vessels, threads that
    wake for every message cost more than what they do."""
    judge_within_s: float = 0.0
    """How long a vessel's readings may wait to be judged together, unless a pressure is near the rated limit."""


@dataclass(slots=True)
class _Taken:
    """What the deliveries of one turn come to."""

    readings: list[Reading] = field(default_factory=list)
    entries: list[Reading] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    touched: dict[str, Watched] = field(default_factory=dict)
    """Vessels with readings to judge."""


class Pipeline:
    """Takes deliveries from every source and judges them in micro-batches.

    One turn: take all that waits; sort the readings by vessel; ask the detectors; promise critical alarms; hand all of
    it to the books, which tell the alarm desk, give the readings to the store, and acknowledge. Once started nothing
    here waits for disk or network; turned by hand, as in a demonstration, the books are kept at once.

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
    promise
        Takes findings before they are put down, to tell what is critical though the disk may hang. Must not wait.
    others_by_s
        What time stamps of others are judged by; what `clock` shows unless given.
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
        promise: Callable[[Sequence[Finding]], None] = lambda findings: None,
        others_by_s: Callable[[], float] | None = None,
    ) -> None:
        self.watched = watched
        self.counts = Counts()
        self.refused: Counter[str] = Counter()
        self.refusals: dict[str, Refusal] = {}
        self._complained: set[tuple[str, str]] = set()
        self._clock = clock
        self._settings = settings or PipelineSettings()
        self._promise = promise
        self._others_by_s = others_by_s or clock.wall_s
        self.time_known = self._others_by_s() >= BELIEVABLE_S
        """Whether the machine's clock has been set, and what was stamped before that has been stamped anew."""
        self.stepped: Callable[[float], None] = lambda step_s: None
        """Called after the wall clock was set by so much that time stamps before and after it do not go together."""
        self._receipts = receipts
        self.books = Books(shelf, desk, clock, self.counts, settings=self._settings.books, receipts=receipts)
        self.books.told = told
        if receipts is not None:
            receipts.acknowledge = self.books.acknowledge
        self._inbox: Inbox[Delivery | Callable[[], None]] = Inbox(self._settings.inbox_readings, _weight)
        self._unjudged: dict[str, float] = {}
        """Vessels with readings that wait to be judged, and since when (monotonic); the longest first."""
        self._guard = WallClockGuard(clock)
        self._gaps = Gaps()
        self._next_tick_s = clock.monotonic_s() + self._settings.tick_interval_s
        self._thread: threading.Thread | None = None
        self._stopping = threading.Event()
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
        """Start the thread, and that of the books."""
        self.books.start()
        self._thread = threading.Thread(target=self._run, name="pipeline", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 10.0) -> None:
        """Judge what waits and put it down, then end the threads."""
        self._inbox.close()
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout_s)
        self.books.stop()

    def alive(self) -> bool:
        """Tell whether the threads run."""
        return self._thread is not None and self._thread.is_alive() and self.books.alive()

    @property
    def waiting(self) -> int:
        """Deliveries not yet judged."""
        return len(self._inbox)

    @property
    def full_waits(self) -> int:
        """How often a source had to wait for room."""
        return self._inbox.full_waits

    def _run(self) -> None:
        while not (self._stopping.is_set() and not len(self._inbox)):
            due_s = self._next_tick_s - self._clock.monotonic_s()
            if self.turn(max(0.0, min(self._settings.idle_s, due_s))) and self._settings.gather_s:
                self._stopping.wait(self._settings.gather_s)
        for name in tuple(self._unjudged):
            self.settle(name)

    def turn(self, timeout_s: float = 0.0) -> int:
        """Do one turn: wait up to `timeout_s` for work, do it, tick when due. Returns the items taken."""
        items = self._inbox.take(self._settings.turn_deliveries, timeout_s)
        self._mind_the_clock()
        start = 0
        for index, item in enumerate(items):
            if not isinstance(item, Delivery):
                self._judge([d for d in items[start:index] if isinstance(d, Delivery)])
                self.books.attempt("call", item)
                start = index + 1
        self._judge([d for d in items[start:] if isinstance(d, Delivery)])
        self.tell(self._due())
        self._tick()
        if self._thread is None:
            self.books.retry()
        self.heartbeat.beat()
        return len(items)

    def enter(self, vessel: str, entry: Entry, entry_id: int = 0) -> None:
        """Take a journal entry that is stored already. For the pipeline's own thread: see `call`."""
        watched = self.watched.get(vessel)
        if watched is not None:
            self.counts.entries += 1
            log.info("journal entry", extra={"vessel": vessel, "entry": entry.text[:200]})
            self.tell(watched.enter(entry, entry_id))

    def settle(self, vessel: str) -> None:
        """Judge what waits of a vessel. For the pipeline's own thread: see `call`."""
        watched = self.watched.get(vessel)
        if self._unjudged.pop(vessel, None) is not None and watched is not None:
            self.tell(watched.judge())

    def tell(self, findings: Sequence[Finding]) -> None:
        """Have findings told. Safe from any thread."""
        if findings:
            self._promise(findings)
            self.books.put(Page(findings=tuple(findings)))

    def _judge(self, deliveries: Sequence[Delivery]) -> None:
        if not deliveries:
            return
        wall_s, taken = self._others_by_s(), _Taken()
        for delivery in deliveries:
            for refusal in delivery.refusals:
                self._count(f"{refusal.source}:{refusal.reason}", refusal)
                self.refusals[refusal.source] = refusal
            for reading in delivery.readings:
                refused = self._sort(reading, wall_s, taken)
                if refused is not None:
                    self._count(refused)
        now_s = self._clock.monotonic_s()
        for name, watched in taken.touched.items():
            self._unjudged.setdefault(name, now_s)
            if watched.pressing:
                del self._unjudged[name]
                taken.findings += watched.judge()
        taken.findings += self._due()
        if taken.readings and not self.counts.readings:
            log.info("first reading judged", extra={"vessel": taken.readings[0].vessel})
        self.counts.readings += len(taken.readings)
        if taken.findings:
            self._promise(taken.findings)
        self.books.put(self._page(taken, deliveries))

    def _sort(self, reading: Reading, wall_s: float, taken: _Taken) -> Refused | None:
        """Put a reading with what its vessel has to judge, and judge an entry at its place in the stream; or say why not."""
        watched = self.watched.get(reading.vessel)
        if watched is None:
            return Refused.UNKNOWN_VESSEL
        if reading.quantity is not Quantity.JOURNAL:
            refused = watched.admit(reading, wall_s)
            if refused is None:
                taken.readings.append(reading)
                taken.touched[reading.vessel] = watched
                self._mind_gap(reading)
            return refused
        if reading.time_s > wall_s + FUTURE_S and wall_s >= BELIEVABLE_S:
            return Refused.FUTURE
        if is_mark(reading.text):
            return Refused.MARK
        taken.findings += watched.judge()
        taken.findings += watched.enter(Entry(time_s=reading.time_s, text=reading.text))
        taken.entries.append(reading)
        return None

    def _due(self) -> list[Finding]:
        """Judge the vessels whose readings have waited for long enough."""
        findings: list[Finding] = []
        until_s = self._clock.monotonic_s() - self._settings.judge_within_s
        while self._unjudged:
            name, since_s = next(iter(self._unjudged.items()))
            if since_s > until_s:
                break
            del self._unjudged[name]
            watched = self.watched.get(name)
            if watched is not None:
                findings += watched.judge()
        return findings

    def _page(self, taken: _Taken, deliveries: Sequence[Delivery]) -> Page:
        """Return the page; deliveries that must wait for a commit are held back from now on."""
        now, soon, held = list(deliveries), False, 0
        if self._receipts is not None:
            waits = bool(taken.readings or taken.entries)
            now = [delivery for delivery in deliveries if not (waits and delivery.readings)]
            for delivery in deliveries:
                if waits and delivery.readings:
                    soon |= self._receipts.hold(delivery)
            held = self._receipts.number
        return Page(
            findings=tuple(taken.findings),
            readings=tuple(taken.readings),
            entries=tuple(taken.entries),
            deliveries=tuple(now),
            held=held,
            soon=soon,
        )

    def _mind_the_clock(self) -> None:
        step_s = self._guard.check()
        if not step_s:
            if not self.time_known and self._others_by_s() >= BELIEVABLE_S:
                self.books.put(Page(action=self._know_the_time))
            return
        log.warning("wall clock was set", extra={"step_s": round(step_s, 1)})
        self._gaps.forget()
        for watched in self.watched.values():
            if step_s < 0:
                watched.gate.stepped_back(self._clock.wall_s())
                watched.renew()  # the old detectors have seen a time that is yet to come, and would wait for it
            watched.time.unsettle(watched.known())
        if abs(step_s) > SMALL_S:
            self.books.put(Page(action=partial(self.stepped, step_s)))

    def _know_the_time(self) -> None:
        self.time_known = True

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

    def _mind_gap(self, reading: Reading) -> None:
        gap_s = self._gaps.after(reading)
        if gap_s:
            self.counts.gaps += 1
            what = {"vessel": reading.vessel, "quantity": reading.quantity.value}
            log.warning("readings are missing", extra={**what, "minutes": round(gap_s / 60)})

    def _count(self, why: str, refusal: Refusal | None = None) -> None:
        """Count what was refused; the first of each reason, from each of the first few places, is logged."""
        place = (str(why), "" if refusal is None else refusal.where)
        if place not in self._complained and len(self._complained) < COMPLAINTS:
            self._complained.add(place)
            about = {} if refusal is None else {"where": refusal.where[:100], "detail": refusal.detail}
            log.warning("readings refused", extra={"reason": str(why), **about})
        self.refused[str(why)] += 1


def _weight(item: Delivery | Callable[[], None]) -> int:
    """Return how many readings and refusals wait with an item; one at the least."""
    return max(1, len(item.readings) + len(item.refusals)) if isinstance(item, Delivery) else 1
