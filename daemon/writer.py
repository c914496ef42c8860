"""The thread that writes: readings at most a commit interval after they came, detector state every few hours."""

import functools
import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from ullage.daemon.clock import Clock
from ullage.daemon.health import Heartbeat
from ullage.daemon.pipeline import Pipeline
from ullage.daemon.receipts import Receipts
from ullage.daemon.snapshot import dump
from ullage.daemon.store.journal import JournalEntry
from ullage.detectors.samples import Entry

log = logging.getLogger(__name__)

PATIENCE_S = 10.0
"""How long the state of detectors waits for the books before it is given up until the next time."""


STALL_PAUSE_S = 0.5
"""Shortest time between two commits on account of silent sources."""


class Shelf(Protocol):
    """What the writer asks of the store."""

    @property
    def pending(self) -> int:
        """Readings not yet committed."""
        ...

    def flush(self) -> int:
        """Commit what is pending."""
        ...

    def save_snapshot(self, vessel: str, *, saved_s: float, fingerprint: str, payload: bytes) -> None:
        """Keep the state of one vessel's detectors."""
        ...


EntriesAfter = Callable[[int], Sequence[tuple[str, JournalEntry]]]
"""Returns vessel and entry of each standing entry with a higher number, in order of number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WriterSettings:
    """How often what is written."""

    commit_interval_s: float = 60.0
    most_pending: int = 10_000
    """Readings that are written before the interval is over, to bound the size of a transaction."""
    snapshot_interval_s: float = 4 * 3600.0
    """Each vessel's state is some 130 kB after a fortnight and goes to the disk twice. What came since the last is judged
    anew at a start, a million readings and more a second."""
    poll_interval_s: float = 1.0
    """How often the journal is looked at for entries of other programs."""
    hurry_after_s: float = 0.5
    """Readings behind an alarm are written so long after it: the message goes first."""
    hurry_interval_s: float = 10.0
    """Shortest time between two commits that alarms asked for."""
    mind_stalls: bool = False
    """Whether to write at once what is held of a source that falls silent: where more is held than any broker can spare,
    that may be why."""
    unset_clock_s: float = 300.0
    """How long after the start readings wait in memory for a clock that has not been set; then as they are stamped."""
    receipt_interval_s: float = 5.0
    """Shortest time between two commits that are to free what a broker may send: a memory card has its limits."""


class Writer:
    """Flushes the store, keeps detector state, and reads the journal entries that other programs made.

    Parameters
    ----------
    entries_after
        Looks up the journal.
    fingerprints
        Vessel name to what marks its snapshots: see `snapshot.fingerprint`.
    last_entry_id
        Journal entries up to this number are known to the detectors.
    receipts
        Deliveries to be acknowledged once they are committed.
    clock_set
        Whether the machine knows the time: until then readings may have to be stamped anew.
    settled
        Whether every alarm that the detectors have found is written: before that their state must not be.
    room
        Whether the disk has room for readings: while it has not, they wait. What waits at the end is written all the
        same: it is little beside what the disk must keep free, and would be lost.
    """

    def __init__(
        self,
        shelf: Shelf,
        pipeline: Pipeline,
        clock: Clock,
        *,
        entries_after: EntriesAfter,
        fingerprints: Mapping[str, str],
        settings: WriterSettings | None = None,
        last_entry_id: int = 0,
        receipts: Receipts | None = None,
        clock_set: Callable[[], bool] = lambda: True,
        settled: Callable[[], bool] = lambda: True,
        room: Callable[[], bool] = lambda: True,
    ) -> None:
        self._shelf = shelf
        self._entries_after = entries_after
        self._pipeline = pipeline
        self._clock = clock
        self._fingerprints = fingerprints
        self._settings = settings or WriterSettings()
        self._last_entry_id = last_entry_id
        now_s = clock.monotonic_s()
        self._started_s = now_s
        self._flushed_s = now_s
        self._flush_due_s = now_s + self._settings.commit_interval_s
        self._snapshot_due_s = now_s + self._snapshot_pause_s()
        self._turn_of = 0
        self._receipts = Receipts() if receipts is None else receipts
        self._clock_set = clock_set
        self._settled = settled
        self._room = room
        self._hastened = False
        self._woken = threading.Event()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._errors: dict[str, str] = {}
        self.heartbeat = Heartbeat("writer", clock, longest_turn_s=60.0)

    def hurry(self) -> None:
        """Have pending readings written soon: an alarm was raised on them. Safe from any thread."""
        self._flush_by(
            self._clock.monotonic_s() + self._settings.hurry_after_s,
            self._flushed_s + self._settings.hurry_interval_s,
        )

    def free(self) -> None:
        """Have pending readings written soon: their senders wait for an acknowledgement. Safe from any thread."""
        pause_s = 0.0 if self._hastened else self._settings.receipt_interval_s
        self._flush_by(self._clock.monotonic_s(), self._flushed_s + pause_s)

    def hasten(self) -> None:
        """Write and acknowledge without delay from now on: the daemon is about to stop."""
        self._hastened = True
        self._receipts.ask_at = 1
        self.free()

    def _flush_by(self, wanted_s: float, allowed_s: float) -> None:
        due_s = max(wanted_s, allowed_s)
        if due_s < self._flush_due_s:
            self._flush_due_s = due_s
            self._woken.set()

    def start(self) -> None:
        """Start the thread."""
        self._thread = threading.Thread(target=self._run, name="writer", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 20.0) -> None:
        """End the thread, then write what is pending and the state of all detectors. The pipeline has ended before."""
        self._stopping.set()
        self._woken.set()
        if self._thread is not None:
            self._thread.join(timeout_s)
        self._try("readings not written", self._flush)
        books = self._pipeline.books
        if not (books.reached(books.number) and self._settled()):
            log.error("detector state not written, for not all that it has found is")
            return
        for vessel in tuple(self._fingerprints):
            self._try("detector state not written", functools.partial(self._save_now, vessel))

    def alive(self) -> bool:
        """Tell whether the thread runs."""
        return self._thread is not None and self._thread.is_alive()

    def _run(self) -> None:
        while not self._stopping.is_set():
            due_s = self._flush_due_s - self._clock.monotonic_s()
            poll_s = self._settings.poll_interval_s
            self._woken.wait(poll_s if self._waits_for_the_time() else max(0.0, min(poll_s, due_s)))
            self._woken.clear()
            if not self._stopping.is_set():
                self.turn()

    def turn(self) -> None:
        """Do what is due."""
        now_s = self._clock.monotonic_s()
        if self._settings.mind_stalls and self._receipts.stalled():
            self._flush_by(now_s, self._flushed_s + STALL_PAUSE_S)
        due = now_s >= self._flush_due_s and not self._waits_for_the_time()
        if due or self._shelf.pending >= self._settings.most_pending:
            self._try("readings not written", self._flush)
        self._try("journal not read", self._read_journal)
        if now_s >= self._snapshot_due_s and self._fingerprints:
            self._snapshot_due_s = now_s + self._snapshot_pause_s()
            self._try("detector state not written", self._snapshot_next)
        self.heartbeat.beat()

    def _waits_for_the_time(self) -> bool:
        """Tell whether what is pending may yet have to be stamped anew."""
        since_s = self._clock.monotonic_s() - self._started_s
        return since_s < self._settings.unset_clock_s and not self._clock_set()

    def _snapshot_pause_s(self) -> float:
        # one vessel at a time, so that the pipeline is never held up by all of them together
        return self._settings.snapshot_interval_s / max(1, len(self._fingerprints))

    def _flush(self) -> None:
        self._flushed_s = self._clock.monotonic_s()
        self._flush_due_s = self._flushed_s + self._settings.commit_interval_s
        if not (self._stopping.is_set() or self._room()):
            self._receipts.refused()
            return
        ticket = self._receipts.ticket()
        try:
            self._shelf.flush()
        except Exception:
            self._receipts.refused()
            raise
        self._receipts.settle(ticket)

    def _read_journal(self) -> None:
        for vessel, stored in self._entries_after(self._last_entry_id):
            entry = Entry(time_s=stored.time_s, text=stored.text)
            enter = functools.partial(self._pipeline.enter, vessel, entry, stored.id)
            if not self._pipeline.call(enter, timeout_s=5.0):
                return
            self._last_entry_id = stored.id

    def _snapshot_next(self) -> None:
        vessels = list(self._fingerprints)
        vessel = vessels[self._turn_of % len(vessels)]
        self._turn_of += 1
        taken: list[tuple[bytes, str, int]] = []
        done = threading.Event()

        def take() -> None:
            try:
                if vessel in self._fingerprints:  # it may have been taken out of the configuration
                    # with the mark of that moment: another batch may put other detectors in their place
                    self._pipeline.settle(vessel)
                    number = self._pipeline.books.number
                    taken.append((self._dump(vessel), self._fingerprints[vessel], number))
            finally:
                done.set()

        if self._pipeline.call(take, timeout_s=5.0) and done.wait(30.0) and taken:
            payload, mark, number = taken[0]
            if self._put_down(number):
                self._flush()  # the state must not be ahead of the readings by more than it need be
                self._save(vessel, payload, mark)

    def _put_down(self, number: int) -> bool:
        """Wait until what was found up to a page is written; return whether it is. A later look may do better."""
        until_s = self._clock.monotonic_s() + PATIENCE_S
        while not self._pipeline.books.reached(number):
            if self._clock.monotonic_s() > until_s or self._stopping.wait(0.02):
                return False
        return self._settled()

    def _save_now(self, vessel: str) -> None:
        self._save(vessel, self._dump(vessel), self._fingerprints[vessel])

    def _dump(self, vessel: str) -> bytes:
        return dump(self._pipeline.watched[vessel].state())

    def _save(self, vessel: str, payload: bytes, mark: str) -> None:
        self._shelf.save_snapshot(
            vessel,
            saved_s=self._clock.wall_s(),
            fingerprint=mark,
            payload=payload,
        )

    def _try(self, what: str, action: Callable[[], None]) -> None:
        try:
            action()
        except Exception as error:  # noqa: BLE001 - the next turn tries again
            said = f"{type(error).__name__}: {error}"
            if self._errors.get(what) != said:  # a repeating failure is logged once, until it changes
                self._errors[what] = said
                log.error("writer trouble", extra={"what": what, "error": said})
        else:
            if self._errors.pop(what, None) is not None:
                log.info("writer trouble over", extra={"what": what})
