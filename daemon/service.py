"""The running daemon: starts its parts in order, watches over them, and stops them in the order that loses nothing."""

import logging
import threading
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from ullage.adapters.errors import UllageError
from ullage.adapters.source import Source
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.clock import Clock
from ullage.daemon.health import Health
from ullage.daemon.joining import Place
from ullage.daemon.pipeline import Pipeline
from ullage.daemon.restarts import Restarts
from ullage.daemon.signals import Asked, listen
from ullage.daemon.store.store import Store
from ullage.daemon.watchdog import Watchdog
from ullage.daemon.watched import Watched
from ullage.daemon.writer import Writer
from ullage.detectors.finding import Finding, Priority

log = logging.getLogger(__name__)

LOOK_S = 1.0
"""How often the main thread looks at the others."""
SOURCE_LOST_S = 300.0
"""How long a source may be out of reach before that is an alarm: a broker's restart is none."""
SOURCE_STUCK_S = 180.0
"""How long a source may make no round of its loop: a name server that does not answer takes a minute."""
RELOAD_S = 60.0
"""How long a stop waits for a configuration that is being taken over."""
DIED = 1
"""Exit code when a thread has died: the service manager starts everything anew."""


class Part(Protocol):
    """Something with a thread of its own."""

    def start(self) -> None:
        """Start it."""
        ...

    def stop(self) -> None:
        """End it and wait for it."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Late:
    """A part made and started once readings are judged, so that heavy imports delay none."""

    name: str
    made_from: object
    """What of the configuration it was made from: when that changes, another takes its place."""
    make: Callable[[], Part]


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """Everything that `build` has made and joined."""

    store: Store
    desk: AlarmDesk
    pipeline: Pipeline
    writer: Writer
    sources: tuple[Source, ...]
    notifier: Part | None
    """Started before readings come."""
    keeper: Part
    """Of batches."""
    late: tuple[Late, ...]
    """The scheduler, the page."""
    health: Health
    watchdog: Watchdog
    clock: Clock
    untold: tuple[Finding, ...]
    """What rebuilding the detectors brought to light."""
    reload: Callable[[], Callable[["Service"], str]]
    """Reads the configuration anew and returns what takes it over; raises `UllageError` if that can't be done."""
    restarts: Restarts
    place: Place
    """At the database: what another daemon may take."""


class Service:
    """One run of the daemon."""

    def __init__(self, parts: Parts) -> None:
        self.parts = parts
        self.sources = parts.sources
        self._notifier = parts.notifier
        self._late: dict[str, tuple[object, Part]] = {}
        self._changing = threading.Lock()
        self._reloading: threading.Thread | None = None
        self._asked_anew = False
        self._broken = False
        self._lost_since_s: dict[str, float] = {}
        self._turned: dict[str, tuple[int, float]] = {}
        """Of each source: rounds counted, and since when it has been so many."""

    def start(self) -> None:
        """Start every part, readings first, and tell the service manager."""
        parts = self.parts
        if self._notifier is not None:
            self._notifier.start()
        if parts.untold:
            parts.pipeline.tell(parts.untold)
        parts.pipeline.start()
        for source in self.sources:
            source.start(parts.pipeline.deliver)
        parts.writer.start()
        parts.watchdog.ready(self.status())
        parts.restarts.started()
        parts.keeper.start()
        self.exchange_late(parts.late)
        log.info("started", extra={"vessels": len(parts.pipeline.watched), "sources": len(self.sources)})

    def stop(self) -> None:
        """Stop: no more readings, judge what waits, write it, send what can be sent."""
        parts = self.parts
        parts.watchdog.stopping()
        if self._reloading is not None:
            self._reloading.join(RELOAD_S)
        parts.writer.hasten()
        for _, part in reversed(self._late.values()):
            self._quietly(part.stop)
        self._quietly(parts.keeper.stop)
        for source in self.sources:
            self._quietly(source.stop)
        self._quietly(parts.pipeline.stop)
        self._quietly(parts.writer.stop)
        if self._notifier is not None:
            self._quietly(self._notifier.stop)
        self._quietly(parts.store.close)
        self._quietly(parts.place.leave)
        log.info("stopped", extra={"readings": parts.pipeline.counts.readings})

    def run_until_signal(self) -> int:
        """Start, watch over the parts until SIGTERM or SIGINT, stop; return the exit code."""
        with listen() as signals:
            self.start()
            code = 0
            try:
                asked: Sequence[Asked] = ()
                while Asked.STOP not in asked and not code:
                    asked = signals.wait(LOOK_S)
                    self._asked_anew = self._asked_anew or Asked.RELOAD in asked
                    if self._asked_anew:
                        self._reload()
                    code = self.look()
            finally:
                self.stop()
            return code

    def look(self) -> int:
        """Look at every part once; return the exit code when the daemon can't go on, else 0."""
        parts = self.parts
        parts.watchdog.turn(self.status())
        dead = [
            name
            for name, alive in (("pipeline", parts.pipeline.alive()), ("writer", parts.writer.alive()))
            if not alive
        ]
        dead += parts.health.dead()
        if dead:
            log.critical("a thread has died", extra={"loop": ", ".join(dead)})
            return DIED
        if self._broken or parts.place.lost() or parts.store.damaged:
            return DIED
        parts.restarts.look()
        with self._changing:
            for source in self.sources:
                if self._stuck(source):
                    log.critical("a source is stuck", extra={"source": source.name})
                    return DIED
                self._mind(source)
        for name, watched in parts.pipeline.watched.items():
            self._mind_detectors(name, watched)
        return 0

    def status(self) -> str:
        """Return the daemon's state in plain words, as the service manager shows it."""
        parts = self.parts
        vessels = len(parts.pipeline.watched)
        alarms = sum(alarm.active for alarm in parts.desk.standing())
        words = [f"Watching {vessels} vessel{'s' * (vessels != 1)}"]
        words.append(f"{alarms} alarm{'s' * (alarms != 1)}" if alarms else "no alarm")
        words.append(f"{parts.pipeline.counts.readings} readings judged")
        away = [source.name for source in self.sources if not source.health().connected]
        if away:
            words.append(f"out of reach: {', '.join(away)}")
        if parts.store.dropped or parts.pipeline.counts.unstored:
            words.append("readings lost, see the log")
        return "; ".join(words)

    def _mind(self, source: Source) -> None:
        if not source.alive():
            log.error("a source's thread has died, starting it again", extra={"source": source.name})
            source.start(self.parts.pipeline.deliver)
        health = source.health()
        now_s = self.parts.clock.monotonic_s()
        if health.connected:
            self._lost_since_s.pop(source.name, None)
            self.parts.desk.report(
                "source-lost", False, f"{source.name} is in reach again.", subject=source.name
            )
            return
        since_s = self._lost_since_s.setdefault(source.name, now_s)
        if now_s - since_s >= SOURCE_LOST_S:
            self.parts.desk.report(
                "source-lost",
                True,
                f"{source.name} has been out of reach for {SOURCE_LOST_S / 60:.0f} min: {health.detail}. Until it "
                "is back nobody watches what it measures. Check its power, cable and network.",
                subject=source.name,
                priority=Priority.HIGH,
            )

    def _stuck(self, source: Source) -> bool:
        """Tell whether a source that counts its rounds has made none for too long."""
        now_s, turns = self.parts.clock.monotonic_s(), source.turns
        before, since_s = self._turned.get(source.name, (0, now_s))
        if turns == 0 or turns != before:
            self._turned[source.name] = turns, now_s
            return False
        return now_s - since_s >= SOURCE_STUCK_S

    def _mind_detectors(self, name: str, watched: Watched) -> None:
        failing = sorted(watched.watch.failures)
        text = (
            f"Part of the watch over {name} has failed: {', '.join(failing)}. Look at the log, and at the vessel "
            "yourself until it has worked for a day."
            if failing
            else "All of it works again."
        )
        self.parts.desk.report("watch-failing", bool(failing), text, vessel=name)

    # another configuration

    def exchange_sources(self, gone: Collection[str], come: Sequence[Source]) -> None:
        """End the sources named and start others; the rest go on undisturbed."""
        with self._changing:  # else a source that is ended here would be found dead and started again
            ended = [source for source in self.sources if source.name in gone]
            self.sources = tuple(source for source in self.sources if source.name not in gone)
        for source in ended:
            self._quietly(source.stop)
            self._lost_since_s.pop(source.name, None)
            self.parts.desk.report(
                "source-lost", False, f"{source.name} is read no more.", subject=source.name
            )
        for source in come:
            source.start(self.parts.pipeline.deliver)
        with self._changing:
            self.sources = (*self.sources, *come)

    def exchange_notifier(self, notifier: Part | None) -> None:
        """End the notifier and start another, which finds in the outbox what the old one has not told."""
        before, self._notifier = self._notifier, notifier
        if before is not None:
            self._quietly(before.stop)
        if notifier is not None:
            notifier.start()

    def exchange_late(self, late: Sequence[Late]) -> None:
        """Have just these late parts: those made from the same stay, others end, new ones start."""
        wanted = {each.name: each for each in late}
        for name, (made_from, part) in tuple(self._late.items()):
            if name not in wanted or wanted[name].made_from != made_from:
                del self._late[name]
                self._quietly(part.stop)
        for name, each in wanted.items():
            if name not in self._late:
                part = each.make()
                part.start()
                self._late[name] = each.made_from, part

    def _reload(self) -> None:
        if self._reloading is not None and self._reloading.is_alive():
            return  # the file may have changed since that one read it: its turn comes when that is done
        self._asked_anew = False
        self._reloading = threading.Thread(target=self._take_over, name="reload", daemon=True)
        self._reloading.start()

    def _take_over(self) -> None:
        """Take the configuration over, or say why not; half of it is not left standing."""
        self.parts.watchdog.reloading()
        try:
            exchange = self.parts.reload()
        except Exception as error:  # noqa: BLE001 - nothing has changed, and nothing may end the watch
            said = str(error) if isinstance(error, UllageError) else f"{type(error).__name__}: {error}"
            log.error("the configuration can't be used, the old one stays", extra={"error": said})
            self._tell_refused(f"The configuration can't be used, the one before stays in force. {said}")
        else:
            try:
                log.warning("configuration taken over", extra={"changes": exchange(self)})
                self._tell_refused("")
            except Exception as error:
                # half of it must not stand; after a start the same configuration serves as a whole
                log.critical("taking the configuration over failed", exc_info=error)
                self._broken = True
        finally:
            self.parts.watchdog.ready(self.status())

    def _tell_refused(self, text: str) -> None:
        self.parts.desk.report(
            "configuration", bool(text), text or "The configuration is in force.", priority=Priority.MEDIUM
        )

    def _quietly(self, stop: Callable[[], None]) -> None:
        try:
            stop()
        except Exception as error:  # noqa: BLE001 - the other parts must be stopped all the same
            log.error("stopping failed", extra={"error": f"{type(error).__name__}: {error}"})


def unknown_vessels(desk: AlarmDesk, watched: Mapping[str, object]) -> frozenset[str]:
    """Return vessels that alarms stand for though the configuration names them no longer."""
    return frozenset(alarm.vessel for alarm in desk.standing() if alarm.vessel) - frozenset(watched)
