"""How the desk's work gets into the database, and what happens while the database refuses."""

import logging
from collections import OrderedDict, deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from ullage.adapters.errors import StoreError
from ullage.daemon.alarm_page import MemoryPage, Page, Shelves, StoredPage, read_shelves, read_standing
from ullage.daemon.alarm_states import Alarm, AlarmKey, AlarmState
from ullage.daemon.clock import Clock
from ullage.daemon.events import Event, EventKey
from ullage.daemon.routes import Routes
from ullage.daemon.store.leases import LeaseLost
from ullage.daemon.store.store import Store
from ullage.detectors.finding import Priority

log = logging.getLogger(__name__)

Work = Callable[[Page], None]
"""One operation of the desk. It may run twice (in memory, then in the database) and must then do the same."""

_REMEMBERED_EVENTS = 1024
_UNSAVED = 5000
_FIRST_PAUSE_S = 1.0
_LONGEST_PAUSE_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskHealth:
    """How the desk is doing."""

    storing: bool
    """Whether what it does is written at once."""
    unsaved: int
    """Operations that wait to be written."""
    lost: int
    """Operations dropped because too many waited: their history is gone, alarms and messages are not."""
    detail: str


class Ledger:
    """Runs operations in one transaction each, keeps what stands in memory, and falls back on that memory.

    Not safe to call from several threads at once: the desk holds its lock around every call.

    Parameters
    ----------
    patience_s
        Longest time that a critical message waits for the database; then it goes out, and the row comes later.
    from_memory
        Whether to work on in memory while the database refuses; a process that ends soon must not.
    """

    def __init__(
        self, store: Store, routes: Routes, clock: Clock, *, patience_s: float, from_memory: bool
    ) -> None:
        self.alarms: dict[AlarmKey, Alarm] = {}
        self.shelves: Shelves = {}
        self.recent: OrderedDict[EventKey, None] = OrderedDict()
        self.failing_since_s: float | None = None
        self.routes = routes
        """Who is told."""
        self._store = store
        self._clock = clock
        self._patience_s = patience_s
        self._from_memory = from_memory
        self._unsaved: deque[tuple[Work, float]] = deque()
        self._promised: set[EventKey] = set()
        self._lost = 0
        self._retry_at_s = 0.0
        self._pause_s = _FIRST_PAUSE_S
        self._failure = ""

    def run(self, work: Work) -> tuple[Event, ...]:
        """Do an operation, in the database if it lets us; return the events that are new.

        Raises
        ------
        StoreError
            If the database refuses and there is no working from memory.
        LeaseLost
            If another daemon has taken over: then nothing is told from memory either.
        """
        now_s = self._clock.wall_s()
        rehearsal = MemoryPage(self.alarms, self.shelves, self.recent, now_s)
        work(rehearsal)
        if self.failing_since_s is not None:
            return self._adopt(work, rehearsal)
        critical = [event for event in rehearsal.told if event.priority is Priority.CRITICAL]
        if critical:
            self.routes.urgent(critical, self._patience_s)
        try:
            page = self._write((work, now_s))
        except LeaseLost:  # another daemon sees to it
            self.routes.withdraw(critical)
            raise
        except StoreError as error:
            if not self._from_memory:
                raise
            self._fail(error)
            return self._adopt(work, rehearsal)
        told = {event.key for event in page.told}
        self.routes.withdraw([event for event in critical if event.key not in told])
        return tuple(page.events)

    def promise(self, events: Sequence[Event]) -> None:
        """Have critical events told even if no operation with them gets through in time. Safe from any thread."""
        failing = self.failing_since_s is not None
        for event in events:
            self._promised.add(event.key)
        self.routes.urgent(events, 0.0 if failing else self._patience_s)

    def keep_promises(self, events: Iterable[Event], told: Iterable[Event]) -> None:
        """Withdraw the promises that turned out to be no news."""
        promised = [event for event in events if event.key in self._promised]
        if promised:
            news = {event.key for event in told}
            for event in promised:
                self._promised.discard(event.key)
            self.routes.withdraw([event for event in promised if event.key not in news])

    def retry(self) -> None:
        """Write what could not be written, if it is time to try again."""
        if self.failing_since_s is None or self._clock.monotonic_s() < self._retry_at_s:
            return
        waiting = len(self._unsaved)
        try:
            self._write()
        except StoreError as error:
            self._fail(error)
            return
        log.info("alarm desk writes again", extra={"operations": waiting, "lost": self._lost})
        self.failing_since_s, self._pause_s, self._failure = None, _FIRST_PAUSE_S, ""

    def refresh(self) -> None:
        """Read the states anew: another process may have changed them.

        Raises
        ------
        StoreError
            If the database refuses and there is no working from memory.
        """
        if self.failing_since_s is not None:
            return
        try:
            with self._store.reading() as connection:
                alarms = {found.key: found for found in read_standing(connection)}
                shelves = read_shelves(connection)
        except StoreError as error:
            if not self._from_memory:
                raise
            self._fail(error)
            return
        self.alarms, self.shelves = alarms, shelves

    def health(self) -> DeskHealth:
        """Tell how writing goes."""
        storing = self.failing_since_s is None
        detail = "written at once" if storing else f"works from memory: {self._failure}"
        return DeskHealth(storing=storing, unsaved=len(self._unsaved), lost=self._lost, detail=detail)

    def _write(self, *also: tuple[Work, float]) -> StoredPage:
        """Do everything that waits, and `also` after it, in one transaction; return the last page."""
        pages: list[StoredPage] = []
        with self._store.transaction() as connection:
            page = StoredPage(connection, self.routes.targets_for, self._clock.wall_s())
            for work, now_s in (*self._unsaved, *also):
                page = StoredPage(connection, self.routes.targets_for, now_s)
                work(page)
                pages.append(page)
        self._unsaved.clear()
        for done in pages:
            for key, alarm in done.changed.items():
                self._remember(key, alarm)
            for shelf, until_s in done.shelves_changed.items():
                if until_s is None:
                    self.shelves.pop(shelf, None)
                else:
                    self.shelves[shelf] = until_s
            self._remember_events(done.events)
            self.routes.stored(done.messages)
        return page

    def _adopt(self, work: Work, rehearsal: MemoryPage) -> tuple[Event, ...]:
        """Let what was done in memory stand, tell it without rows, and write it later."""
        self.alarms = {
            key: alarm for key, alarm in rehearsal.alarms.items() if alarm.state is not AlarmState.NORMAL
        }
        self.shelves = rehearsal.shelves
        self._remember_events(rehearsal.events)
        if rehearsal.changed:
            if len(self._unsaved) >= _UNSAVED:
                self._unsaved.popleft()
                self._lost += 1
            self._unsaved.append((work, rehearsal.now_s))
        self.routes.urgent(rehearsal.told)
        return tuple(rehearsal.events)

    def _fail(self, error: StoreError) -> None:
        monotonic_s = self._clock.monotonic_s()
        if self.failing_since_s is None:
            self.failing_since_s, self._pause_s = monotonic_s, _FIRST_PAUSE_S
        if str(error) != self._failure:
            self._failure = str(error)
            log.error("alarm desk can't write, works from memory", extra={"error": self._failure})
        self._retry_at_s = monotonic_s + self._pause_s
        self._pause_s = min(_LONGEST_PAUSE_S, self._pause_s * 2)

    def _remember(self, key: AlarmKey, alarm: Alarm) -> None:
        if alarm.state is AlarmState.NORMAL:
            self.alarms.pop(key, None)
        else:
            self.alarms[key] = alarm

    def _remember_events(self, events: list[Event]) -> None:
        for event in events:
            self.recent[event.key] = None
        while len(self.recent) > _REMEMBERED_EVENTS:
            self.recent.popitem(last=False)
