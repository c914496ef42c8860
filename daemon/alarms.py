"""The alarm desk: takes findings, keeps every alarm's state, and puts what is worth telling into the outbox.

Each batch of findings is one transaction: states, log, events and outbox rows together. While the database refuses,
the desk works from memory, hands messages straight to the notifier, and writes everything later. Other processes (the
command line) acknowledge and shelve through the same database; `tick` notices it.
"""

import threading
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import replace
from functools import partial

from ullage.adapters.errors import ConfigError
from ullage.daemon import alarm_work, outbox
from ullage.daemon.alarm_ledger import DeskHealth, Ledger
from ullage.daemon.alarm_page import Page, prune_log, read_log
from ullage.daemon.alarm_settings import AlarmSettings
from ullage.daemon.alarm_states import (
    LONGEST_SHELF_H,
    NEVER_SHELVED,
    Alarm,
    AlarmKey,
    AlarmState,
    Cause,
    Transition,
)
from ullage.daemon.alarm_work import CLOCK, Moment
from ullage.daemon.clock import Clock
from ullage.daemon.countdowns import Countdowns
from ullage.daemon.events import Event, EventKind, clean, from_finding, own_event, rank
from ullage.daemon.flood import Flood
from ullage.daemon.routes import Routes
from ullage.daemon.store.store import Store
from ullage.daemon.turf import Everything, Turf
from ullage.detectors.finding import NOTICES, Condition, Finding, Priority

STORAGE = AlarmKey("", "storage")
"""The alarm that the database does not take what it should."""

_STORAGE_ALARM_AFTER_S = 60.0
_ALARMS = frozenset(condition.value for condition in Condition if condition not in NOTICES)


class AlarmDesk:
    """Keeps all alarms of the installation. Safe to call from several threads.

    Parameters
    ----------
    store
        Where states and messages are kept.
    routes
        Who is told.
    clock
        Wall time for stamps, monotonic time for reminders and the ends of shelves.
    settings
        How alarms are repeated.
    from_memory
        Whether to work on in memory while the database refuses. A process that ends soon, such as one command, says
        no and gets a `StoreError` instead.
    turf
        Whose alarms are repeated here and whose shelves ended, where several daemons share the vessels.
    """

    def __init__(
        self,
        store: Store,
        routes: Routes,
        clock: Clock,
        settings: AlarmSettings | None = None,
        *,
        from_memory: bool = True,
        turf: Turf | None = None,
    ) -> None:
        self._store = store
        self._turf = turf or Everything()
        self._clock = clock
        self._settings = settings or AlarmSettings()
        self._lock = threading.RLock()
        self._flood = Flood()
        self._newer: dict[AlarmKey, Event] = {}
        self._foreseen: dict[AlarmKey, bool] = {}
        """Whether a critical alarm will be active once all findings are taken that `promise` has seen."""
        self._reminders = Countdowns[tuple[AlarmKey, AlarmState, float]](clock)
        """Of each alarm in its state since then."""
        self._shelf_ends = Countdowns[tuple[tuple[str, str], float]](clock)
        """Of each shelf and its end."""
        self._ledger = Ledger(
            store, routes, clock, patience_s=self._settings.disk_patience_s, from_memory=from_memory
        )
        self.refresh()

    def configure(self, settings: AlarmSettings, routes: Routes) -> None:
        """Go by other settings and tell others from now on."""
        with self._lock:
            self._settings = settings
            self._ledger.routes = routes

    # findings

    def promise(self, findings: Sequence[Finding]) -> None:
        """Have critical alarms told soon, whatever becomes of writing them down; waits for nothing.

        `take` follows with the same findings: it gives the messages their rows, or withdraws what was no news.
        """
        now_s = self._clock.wall_s()
        news = []
        for event in (from_finding(f, now_s) for f in findings if f.priority is Priority.CRITICAL):
            raised = event.kind is EventKind.RAISED
            if raised and not self._foreseen.get(event.alarm, self._active(event.alarm)):
                news.append(event)
            self._foreseen[event.alarm] = raised
        news = [event for event in news if self._turf.mine(event.alarm.vessel)]
        if news:
            self._ledger.promise(news)

    def take(self, findings: Sequence[Finding], *, replayed: bool = False) -> tuple[Event, ...]:
        """Take findings in order of time; return the events that are new.

        A raised alarm that stands, a cleared one that does not, and anything told before are no events. Never raises
        on account of the database.

        Parameters
        ----------
        findings
            What detectors say.
        replayed
            Whether they come from stored readings, gone through again after a start: then anything not newer than
            what is known of the same alarm or notice is passed over.
        """
        with self._lock:
            now_s = self._clock.wall_s()
            events = [from_finding(f, now_s) for f in findings if self._turf.mine(f.vessel)]
            times = Counter(event.alarm for event in events)
            # What comes once is judged by what stands now; what comes several times depends on its own order.
            news = [event for event in events if times[event.alarm] > 1 or self._matters(event)]
            told = self._take(news, replayed=replayed)
            self._ledger.keep_promises(events, told)
            return told

    def report(
        self,
        condition: str,
        standing: bool,
        text: str,
        *,
        priority: Priority = Priority.HIGH,
        vessel: str = "",
        subject: str = "",
        common: bool = False,
    ) -> tuple[Event, ...]:
        """Raise or clear an alarm of the installation itself, such as a source out of reach; idempotent.

        Where several daemons share the vessels it is this daemon's alone, and its subject says whose it is, unless it
        is `common` to all.
        """
        if not vessel and not common:
            subject = signed(subject, self._turf.name)
        key = AlarmKey(clean(vessel), clean(condition)[:40], clean(subject)[:200])
        if standing == self._active(key):
            return ()  # most often, and without waiting for a disk that somebody else waits for
        with self._lock:
            if standing == self._active(key):
                return ()
            kind = EventKind.RAISED if standing else EventKind.CLEARED
            return self._take([own_event(key, kind, priority, text, self._clock.wall_s())])

    def announce(
        self,
        subject: str,
        text: str,
        *,
        vessel: str = "",
        priority: Priority = Priority.LOW,
        time_s: float | None = None,
    ) -> tuple[Event, ...]:
        """Tell something of a vessel or the installation once; the same subject at the same `time_s` again is no news."""
        with self._lock:
            moment_s = self._clock.wall_s() if time_s is None else time_s
            key = AlarmKey(clean(vessel), clean(subject)[:40])
            return self._take([own_event(key, EventKind.NOTED, priority, text, moment_s)])

    def reconcile(
        self, vessel: str, standing: Collection[tuple[Condition, str]], time_s: float
    ) -> tuple[Event, ...]:
        """Clear alarms of a vessel that its detectors, rebuilt after a start, no longer hold.

        Parameters
        ----------
        vessel
            The vessel.
        standing
            Condition and subject of every alarm that its detectors hold now.
        time_s
            The vessel's time.
        """
        held = {(condition.value, subject) for condition, subject in standing}
        with self._lock:
            gone = [
                own_event(key, EventKind.CLEARED, found.priority, _gone_text(found), time_s)
                for key, found in self._ledger.alarms.items()
                if key.vessel == vessel and found.active and (key.condition, key.subject) not in held
                if key.condition in _ALARMS
            ]
            return self._take(gone)

    # people

    def acknowledge(self, vessel: str, condition: str | None, actor: str) -> tuple[Alarm, ...]:
        """Acknowledge what stands for a vessel (and condition); return the alarms that changed, as they are then.

        Raises
        ------
        StoreError
            If this process can't write it and nobody would remember it.
        """
        changed: list[Alarm] = []

        def work(page: Page) -> None:
            changed[:] = alarm_work.acknowledge(page, vessel, condition, actor)

        with self._lock:
            self._ledger.run(work)
            return tuple(changed)

    def shelve(self, vessel: str, condition: str, hours: float, actor: str) -> float:
        """Tell nobody of a condition for some hours; return when that ends (Unix seconds).

        Raises
        ------
        ConfigError
            If the condition may not be shelved or the time is not within 0 to 12 hours.
        """
        if condition in NEVER_SHELVED:
            raise ConfigError(condition, "can't be shelved", "acknowledge it, and lower the pressure")
        if condition not in _ALARMS and not any(key.condition == condition for key in self._ledger.alarms):
            raise ConfigError(condition, "is no alarm", f"alarms are {', '.join(sorted(_ALARMS))}")
        if not 0 < hours <= LONGEST_SHELF_H:
            raise ConfigError(
                "hours", f"{hours:g} must be above 0 and at most {LONGEST_SHELF_H:g}", "shelve it again later"
            )
        with self._lock:
            until_s = self._clock.wall_s() + hours * 3600
            self._ledger.run(lambda page: alarm_work.shelve(page, (vessel, condition), until_s, actor))
            return until_s

    def unshelve(self, vessel: str, condition: str, actor: str) -> bool:
        """Tell of a condition again; return whether it was shelved."""
        found: list[bool] = [False]

        def work(page: Page) -> None:
            found[0] = alarm_work.unshelve(page, (vessel, condition), Cause.UNSHELVED, actor)

        with self._lock:
            self._ledger.run(work)
            return found[0]

    # time

    def tick(self) -> tuple[Event, ...]:
        """Notice what other processes did, end shelves, write what could not be written; about once a second."""
        with self._lock:
            self._ledger.retry()
            events = self._watch_storage()
            self.refresh()
            for shelf in self._ended_shelves():
                events += self._ledger.run(partial(_end_shelf, shelf))
            return events

    def remind(self) -> tuple[Event, ...]:
        """Tell again what nobody has acknowledged for long enough; about once a minute."""
        with self._lock:
            events: tuple[Event, ...] = ()
            if self._newer:
                newer, self._newer = tuple(self._newer.values()), {}
                events = self._take(newer)
            self.refresh()
            due = self._due_alarms()
            if due:
                events += self._ledger.run(lambda page: alarm_work.remind(page, due))
            return events

    def refresh(self) -> None:
        """Read the states anew: another process may have changed them."""
        with self._lock:
            self._ledger.refresh()

    # questions

    def standing(self, vessel: str | None = None) -> tuple[Alarm, ...]:
        """Return the alarms that are not normal, the most urgent first, shelved ones with the end of their shelf.

        Waits for no disk: what is being written at this moment may be missing.
        """
        found = [
            self._current(alarm)
            for key, alarm in tuple(self._ledger.alarms.items())
            if vessel in (None, key.vessel) and alarm.state is not AlarmState.NORMAL
        ]
        return tuple(sorted(found, key=lambda a: (not a.active, rank(a.priority), a.raised_s)))

    def shelved(self) -> tuple[tuple[str, str, float], ...]:
        """Return vessel, condition and end (Unix seconds) of every shelf."""
        with self._lock:
            return tuple(
                (vessel, condition, until) for (vessel, condition), until in self._ledger.shelves.items()
            )

    def history(
        self, vessel: str | None = None, *, since_s: float | None = None, limit: int = 200
    ) -> tuple[Event, ...]:
        """Return events, the newest first.

        Raises
        ------
        StoreError
            If the database refuses.
        """
        with self._store.reading() as connection:
            return outbox.read_events(connection, vessel, since_s, limit)

    def transitions(self, vessel: str | None = None, *, limit: int = 200) -> tuple[Transition, ...]:
        """Return changes of alarms, the newest first.

        Raises
        ------
        StoreError
            If the database refuses.
        """
        with self._store.reading() as connection:
            return read_log(connection, vessel, limit)

    def prune(self, keep_days: float) -> int:
        """Delete told events and the log of changes older than `keep_days`; return how many events went.

        Raises
        ------
        StoreError
            If the database refuses.
        """
        before_s = self._clock.wall_s() - keep_days * 86_400
        with self._store.transaction() as connection:
            prune_log(connection, before_s)
            return outbox.prune(connection, before_s)

    def health(self) -> DeskHealth:
        """Tell how writing goes."""
        with self._lock:
            return self._ledger.health()

    # within

    def _take(self, events: Sequence[Event], *, replayed: bool = False) -> tuple[Event, ...]:
        if not events:
            return ()
        moment = Moment(self._settings, self._flood, self._clock.monotonic_s(), replayed)
        return self._ledger.run(lambda page: alarm_work.take(page, events, moment))

    def _active(self, key: AlarmKey) -> bool:
        found = self._ledger.alarms.get(key)
        return found is not None and found.active

    def _matters(self, event: Event) -> bool:
        """Tell whether an event may change anything; one that can't costs no transaction."""
        if event.kind is EventKind.NOTED:
            return event.key not in self._ledger.recent
        found = self._ledger.alarms.get(event.alarm)
        active = found is not None and found.active
        if event.kind is EventKind.RAISED and active:
            self._newer[event.alarm] = event  # its number is written with the next reminder round
            return False
        self._newer.pop(event.alarm, None)
        return event.kind is EventKind.RAISED or active

    def _current(self, alarm: Alarm) -> Alarm:
        newer = self._newer.get(alarm.key)
        if newer is not None and alarm.active:
            alarm = replace(alarm, value=newer.value, limit=newer.limit, unit=newer.unit, text=newer.text)
        return replace(alarm, shelved_until_s=self._ledger.shelves.get(alarm.key.shelf))

    def _watch_storage(self) -> tuple[Event, ...]:
        since_s = self._ledger.failing_since_s
        if since_s is None:
            return self.report(STORAGE.condition, False, "The database takes everything again.")
        if self._clock.monotonic_s() - since_s < _STORAGE_ALARM_AFTER_S:
            return ()
        text = (
            f"The database refuses ({self._ledger.health().detail}). Readings are still watched and alarms still sent, "
            "but a restart would forget them. Make room on the disk or check the card."
        )
        return self.report(STORAGE.condition, True, text)

    def _due_alarms(self) -> list[tuple[AlarmKey, AlarmState]]:
        """Return the alarms that are to be told again, with the state that they are in."""
        waiting: dict[tuple[AlarmKey, AlarmState, float], tuple[float, float]] = {}
        for key, alarm in self._ledger.alarms.items():
            pause_s = self._settings.pause_s(alarm)
            if pause_s is None or key.shelf in self._ledger.shelves or not self._turf.mine(key.vessel):
                continue
            since_s = alarm.told_s
            if alarm.state is AlarmState.ACKNOWLEDGED and alarm.acknowledged_s is not None:
                since_s = alarm.acknowledged_s
            waiting[key, alarm.state, since_s] = since_s + pause_s, pause_s
        return [(key, state) for key, state, _ in self._reminders.ended(waiting)]

    def _ended_shelves(self) -> list[tuple[str, str]]:
        """Return vessel and condition of each shelf whose end has come."""
        longest_s = LONGEST_SHELF_H * 3600
        shelves = {(shelf, until_s): (until_s, longest_s) for shelf, until_s in self._ledger.shelves.items()}
        return [shelf for shelf, _ in self._shelf_ends.ended(shelves) if self._turf.mine(shelf[0])]


def signed(subject: str, name: str) -> str:
    """Return the subject of an alarm that one daemon of several raises about itself."""
    return f"{subject} at {name}".strip() if name else subject


def _end_shelf(shelf: tuple[str, str], page: Page) -> None:
    alarm_work.unshelve(page, shelf, Cause.SHELF_ENDED, CLOCK)


def _gone_text(alarm: Alarm) -> str:
    return f"{alarm.condition} no longer holds after the restart."
