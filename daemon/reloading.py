"""A changed configuration in the place of the old one while the daemon runs.

Everything that may refuse is asked before anything changes: a wrong configuration leaves all as it was. Then only what
differs is exchanged. A vessel whose own block did not change keeps its detectors as they are, and so does a source whose
settings and channels did not.
"""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from functools import partial

from ullage.adapters.channel import Channel
from ullage.adapters.errors import ConfigError, StoreError
from ullage.adapters.source import Source
from ullage.daemon.batches import adopt
from ullage.daemon.core import Core
from ullage.daemon.notifier import Notifier
from ullage.daemon.routes import Nobody
from ullage.daemon.service import Late, Part, Service
from ullage.daemon.settings import Config, load

NEXT_START = ("url", "commit_interval_s", "max_pending", "busy_timeout_s")
"""Keys of `store:` that count from the next start on: the database stays open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """What differs between two configurations, by name."""

    added: tuple[str, ...]
    changed: tuple[str, ...]
    """Vessels that are judged by other settings now."""
    removed: tuple[str, ...]
    sources_gone: frozenset[str]
    """Sources that end: taken out, or to be connected anew."""
    sources_come: frozenset[str]
    notify: bool
    next_start: tuple[str, ...]
    """Keys that can't be taken over in place."""

    def sentence(self) -> str:
        """Say it in words."""
        parts = [
            f"{what} {', '.join(names)}"
            for what, names in (
                ("added", self.added),
                ("changed", self.changed),
                ("removed", self.removed),
                ("connected anew", sorted(self.sources_come)),
                ("given up", sorted(self.sources_gone - self.sources_come)),
            )
            if names
        ]
        parts += ["messages go to the targets as they stand now"] * self.notify
        parts += [f"{key} counts from the next start on" for key in self.next_start]
        return "; ".join(parts) or "nothing that concerns vessels, sources or messages has changed"


def compare(old: Config, new: Config) -> Changes:
    """Return what differs."""
    was = {w.vessel.name: (w.vessel, w.detectors, w.batch_began_s) for w in old.vessels}
    now = {w.vessel.name: (w.vessel, w.detectors, w.batch_began_s) for w in new.vessels}
    sources_were, sources_are = _wiring(old), _wiring(new)
    return Changes(
        added=tuple(name for name in now if name not in was),
        changed=tuple(name for name in now if name in was and now[name] != was[name]),
        removed=tuple(name for name in was if name not in now),
        sources_gone=frozenset(n for n, wired in sources_were.items() if sources_are.get(n) != wired),
        sources_come=frozenset(n for n, wired in sources_are.items() if sources_were.get(n) != wired),
        notify=(old.notify, old.timezone) != (new.notify, new.timezone),
        next_start=(
            *(f"store.{key}" for key in NEXT_START if getattr(old.store, key) != getattr(new.store, key)),
            *(("share",) if old.share != new.share else ()),
        ),
    )


def _wiring(config: Config) -> dict[str, tuple[str, object, tuple[Channel, ...]]]:
    """Return what each source is made from."""
    channels = config.channels()
    return {
        source.name: (
            source.kind,
            source.settings,
            tuple(channel for channel in channels if channel.source == source.name),
        )
        for source in config.sources
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class Makers:
    """How parts are made from a configuration; nothing is started by them."""

    sources: Callable[[Config, Collection[str]], tuple[Source, ...]]
    """Makes the sources named."""
    notifier: Callable[[Config], Notifier | None]
    tended: Callable[[Notifier], Part]
    late: Callable[[Config, Notifier | None, tuple[Source, ...]], tuple[Late, ...]]


class Reload:
    """Takes the configuration over, time and again. Called in a thread of its own.

    Parameters
    ----------
    config
        In force now.
    environ
        The environment, which wins over the file.
    makers
        How parts are made.
    core
        At work now, and as long as the process.
    """

    def __init__(
        self,
        config: Config,
        environ: Mapping[str, str],
        makers: Makers,
        core: Core,
    ) -> None:
        self._config = config
        self._environ = environ
        self._makers = makers
        self._core = core
        self._notifier = core.notifier

    def prepare(self) -> Callable[[Service], str]:
        """Return what exchanges what differs, and says in words what that was. Nothing has changed until it is called.

        Raises
        ------
        ConfigError
            If the configuration is wrong.
        StoreError
            If the database refuses now.
        """
        new = load(self._config.path, self._environ)
        changes = compare(self._config, new)
        if not any(channel.source for channel in new.channels()):
            raise ConfigError("vessels", "no vessel has a channel with a source: nothing would be watched")
        if not self._core.desk.health().storing:
            raise StoreError("the database", "refuses now", "reload again when it takes everything")
        if new.page is not None:
            new.page.token()
        come = self._makers.sources(new, changes.sources_come)
        notifier = self._notifier
        if changes.notify:
            notifier = self._makers.notifier(new)
            if notifier is not None:
                notifier.require_addresses()
        return partial(self._exchange, new, changes, come, notifier)

    def _exchange(
        self,
        new: Config,
        changes: Changes,
        come: tuple[Source, ...],
        notifier: Notifier | None,
        service: Service,
    ) -> str:
        for watched in new.vessels:
            if watched.vessel.name in (*changes.added, *changes.changed):
                adopt(self._core.place.store, watched, self._core.clock.wall_s())
        # new vessels are there before their readings come, and old ones stay until none comes any more
        keep = [w for w in self._config.vessels if w.vessel.name in changes.removed]
        self._core.keeper.configure((*new.vessels, *keep))
        service.exchange_sources(changes.sources_gone, come)
        if changes.removed:
            self._core.keeper.configure(new.vessels)
            for name in changes.removed:
                self._core.pipeline.call(partial(self._core.pipeline.remove, name), timeout_s=5.0)
                self._core.desk.reconcile(name, (), self._core.clock.wall_s())
        self._core.desk.configure(new.alarms, notifier or Nobody())
        self._core.room.floor_mb = new.store.free_space_floor_mb
        if notifier is not self._notifier:
            service.exchange_notifier(None if notifier is None else self._makers.tended(notifier))
            if notifier is not None:
                notifier.wake()  # what came between the two
        service.exchange_late(self._makers.late(new, notifier, service.sources))
        self._config, self._notifier = new, notifier
        return changes.sentence()
