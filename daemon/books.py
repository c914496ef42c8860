"""Puts down what the pipeline has judged: alarms first, then readings, then the word to their sender.

In the running daemon this is a thread of its own, so that a disk that crawls, hangs or refuses delays no judgement.
What waits is bounded: when there is no more room, readings are given up and counted, findings and journal entries never:
they are few.
"""

import functools
import logging
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

from ullage.adapters.reading import Delivery, Reading
from ullage.daemon.clock import Clock
from ullage.daemon.health import Heartbeat
from ullage.daemon.receipts import Receipts
from ullage.detectors.finding import Finding

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
class BooksSettings:
    """How much may wait, and how often the database is asked again."""

    pages: int = 10_000
    """Pages that may wait, one for each turn of the pipeline."""
    findings: int = 10_000
    """Findings kept for the next try while the database refuses them."""
    retry_s: float = 5.0
    """Pause before findings that the database refused are tried again; new ones are tried at once."""


@dataclass(slots=True)
class Counts:
    """What the pipeline has done since the start; metrics and the service manager's status show the most of it."""

    readings: int = 0
    findings: int = 0
    events: int = 0
    entries: int = 0
    unstored: int = 0
    """Readings judged that the store would not take."""
    unacknowledged: int = 0
    """Deliveries whose sender could not be told that they are kept, or that found no place: a sender that repeats sends them again."""
    gaps: int = 0
    """Times at which readings were missing, by the times of those before and after."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """What one turn of the pipeline came to."""

    findings: tuple[Finding, ...] = ()
    readings: tuple[Reading, ...] = ()
    entries: tuple[Reading, ...] = ()
    """Journal entries that came as readings."""
    deliveries: tuple[Delivery, ...] = ()
    """To be acknowledged once this is put down."""
    held: int = 0
    """Number of the latest delivery that waits for the next commit: see `Receipts`."""
    soon: bool = False
    """Whether that commit should come soon."""
    action: Callable[[], object] | None = None
    """Something to do once everything before it is put down."""


def _joined(first: Page, then: Page) -> Page:
    """Return two pages as one, without the readings of the second."""
    actions = [action for action in (first.action, then.action) if action is not None]

    def both() -> None:
        for action in actions:
            action()

    return Page(
        findings=first.findings + then.findings,
        readings=first.readings,
        entries=first.entries + then.entries,
        deliveries=first.deliveries + then.deliveries,
        held=max(first.held, then.held),
        soon=first.soon or then.soon,
        action=both if actions else None,
    )


@dataclass(slots=True)
class _Pages:
    """Pages that wait, oldest first."""

    most: int
    waiting: deque[Page] = field(default_factory=deque)
    changed: threading.Condition = field(default_factory=threading.Condition)
    closed: bool = False


class Books:
    """Takes pages in order.

    Parameters
    ----------
    shelf, desk
        Store and alarm desk.
    counts
        Where to count.
    """

    def __init__(
        self,
        shelf: Shelf,
        desk: Desk,
        clock: Clock,
        counts: Counts,
        *,
        settings: BooksSettings | None = None,
        receipts: Receipts | None = None,
    ) -> None:
        self.told: Callable[[], None] = lambda: None
        """Called after events were committed."""
        self.held: Callable[[], None] = lambda: None
        """Called when so many deliveries are held back that a commit should come soon."""
        self._shelf = shelf
        self._desk = desk
        self._clock = clock
        self._counts = counts
        self._settings = settings or BooksSettings()
        self._receipts = receipts
        self._pages = _Pages(self._settings.pages)
        self._findings: deque[Finding] = deque(maxlen=self._settings.findings)
        self._retry_at_s = 0.0
        self._done = 0
        self.number = 0
        """Pages taken so far."""
        self._thread: threading.Thread | None = None
        self._errors: dict[str, str] = {}
        self.heartbeat = Heartbeat("books", clock, longest_turn_s=60.0)

    def start(self) -> None:
        """Put pages down in a thread from now on; before, it is done at once by whoever brings them."""
        self._thread = threading.Thread(target=self._run, name="books", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 20.0) -> None:
        """Put down what waits, then end the thread."""
        with self._pages.changed:
            self._pages.closed = True
            self._pages.changed.notify_all()
        if self._thread is not None:
            self._thread.join(timeout_s)

    def alive(self) -> bool:
        """Tell whether the thread runs, where there is to be one."""
        return self._thread is None or self._thread.is_alive()

    @property
    def waiting(self) -> int:
        """Pages not yet put down."""
        return len(self._pages.waiting)

    def reached(self, number: int) -> bool:
        """Tell whether every page up to this number is put down, with all its findings."""
        return self._done >= number and not self._findings

    def put(self, page: Page) -> None:
        """Take a page. Never waits for disk or network once there is a thread."""
        self._counts.findings += len(page.findings)
        if self._thread is None:
            self.number += 1
            self._put_down(page)
            return
        with self._pages.changed:
            if len(self._pages.waiting) >= self._pages.most:
                self._counts.unstored += len(page.readings)
                page = replace(page, readings=())
                if not (page.findings or page.entries or page.action):
                    return
                if len(self._pages.waiting) >= 2 * self._pages.most:
                    self._pages.waiting[-1] = _joined(self._pages.waiting[-1], page)
                    return
            self.number += 1
            self._pages.waiting.append(page)
            self._pages.changed.notify_all()

    def retry(self) -> None:
        """Try again what the database refused, if it is time."""
        if self._findings and self._clock.monotonic_s() >= self._retry_at_s:
            self._tell(())

    def _run(self) -> None:
        pages = self._pages
        while True:
            with pages.changed:
                if not pages.waiting and not pages.closed:
                    pages.changed.wait(1.0)
                page = pages.waiting.popleft() if pages.waiting else None
            if page is not None:
                self._put_down(page)
            elif pages.closed:
                return
            self.retry()
            self.heartbeat.beat()

    def _put_down(self, page: Page) -> None:
        if page.action is not None:
            self.attempt("call", page.action)
        if page.findings:
            self._tell(page.findings)
        self._keep(page.readings, page.entries)
        if self._receipts is not None:
            self._receipts.reach(page.held)
        if page.soon:
            self.held()
        for delivery in page.deliveries:
            self.acknowledge(delivery)
        self._done += 1

    def _tell(self, findings: Sequence[Finding]) -> None:
        """Hand findings to the desk; what it can't take now waits."""
        self._findings.extend(findings)
        try:
            events = self._desk.take(tuple(self._findings))
        except Exception as error:  # noqa: BLE001 - the watch goes on while the database is away
            self._retry_at_s = self._clock.monotonic_s() + self._settings.retry_s
            self._complain("alarms not stored", error)
            return
        self._relieved("alarms not stored")
        self._findings.clear()
        self._counts.events += len(events)
        if events:
            self.told()

    def _keep(self, readings: Sequence[Reading], entries: Sequence[Reading]) -> None:
        if readings:
            try:
                self._shelf.append(readings)
            except Exception as error:  # noqa: BLE001 - judged is judged: the next ones must not wait
                self._counts.unstored += len(readings)
                self._complain("readings not stored", error)
            else:
                self._relieved("readings not stored")
        for entry in entries:
            self._counts.entries += 1
            self.attempt("journal entry not stored", functools.partial(self._store_entry, entry))

    def _store_entry(self, entry: Reading) -> None:
        self._shelf.add_entry(entry.vessel, entry.time_s, entry.text, made_s=self._clock.wall_s())

    def acknowledge(self, delivery: Delivery) -> None:
        """Tell the sender that we have its delivery."""
        try:
            delivery.acknowledge()
        except Exception as error:  # noqa: BLE001 - the source is gone; the sender will repeat, the gate knows repeats
            self._counts.unacknowledged += 1
            self._complain("not acknowledged", error)

    def attempt(self, what: str, action: Callable[[], object]) -> None:
        """Do something; a failure is logged once until it changes."""
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
