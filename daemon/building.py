"""Makes every part of the running daemon from the configuration and joins them.

Nothing is started here but the thread that keeps this daemon's place at a database on a server.
"""

import os
from collections.abc import Callable, Collection, Mapping
from functools import partial

from ullage.adapters import registry as adapters
from ullage.adapters.source import Source
from ullage.daemon.clock import Clock, SystemClock
from ullage.daemon.core import Core, make_core, make_notifier
from ullage.daemon.joining import Place, take_place
from ullage.daemon.late_parts import late_parts
from ullage.daemon.parted_source import PartedSource
from ullage.daemon.reloading import Makers, Reload
from ullage.daemon.restarts import Restarts
from ullage.daemon.sd_notify import notify, watchdog_interval_s
from ullage.daemon.service import Part, Parts, Service
from ullage.daemon.settings import Config
from ullage.daemon.share import Share, Surroundings
from ullage.daemon.sharing import Idle, Together, next_start, parted_sources
from ullage.daemon.steady_clock import SteadyClock
from ullage.daemon.tended import Tended
from ullage.daemon.turf import Shared
from ullage.daemon.watchdog import Watchdog


def build(config: Config, environ: Mapping[str, str], clock: Clock | None = None) -> Service:
    """Return the daemon, ready to start.

    Parameters
    ----------
    config
        Validated.
    environ
        The environment: how to reach the service manager.
    clock
        The machine's unless given.

    Raises
    ------
    ConfigError
        If a source or a target can't be right.
    StoreError
        If the database can't be opened or read, or another daemon has it.
    """
    say = partial(notify, environ=environ)
    place = take_place(config, say)
    try:
        return _assembled(config, environ, clock or SystemClock(), say, place)
    except BaseException:
        place.leave()
        raise


def _assembled(
    config: Config, environ: Mapping[str, str], machine: Clock, say: Callable[[str], object], place: Place
) -> Service:
    clock = SteadyClock(machine, place.store.newest_s())
    shared = config.share is not None
    parted = parted_sources(config, place.membership, clock) if shared and place.membership else ()
    sources = parted or _sources(config, [source.name for source in config.sources], clock)
    core = make_core(config, place, clock, say)
    makers = _makers(core)
    notifier = core.notifier
    return Service(
        Parts(
            store=place.store,
            desk=core.desk,
            pipeline=core.pipeline,
            writer=core.writer,
            sources=sources,
            notifier=None if notifier is None else makers.tended(notifier),
            keeper=_keeping(config, core, parted),
            late=makers.late(config, notifier, sources),
            health=core.health,
            watchdog=_watchdog(environ, core, say),
            clock=clock,
            untold=tuple(finding for r in core.rebuilt for finding in r.untold),
            reload=partial(next_start, config, environ)
            if shared
            else Reload(config, environ, makers, core).prepare,
            restarts=Restarts(place.store, core.desk, clock, place.turf.name),
            place=place,
        )
    )


def _sources(config: Config, names: Collection[str], clock: Clock) -> tuple[Source, ...]:
    channels = config.channels()
    return tuple(
        adapters.build(
            source.kind,
            source.name,
            source.settings,
            [channel for channel in channels if channel.source == source.name],
            clock,
        )
        for source in config.sources
        if source.name in names
    )


def _keeping(config: Config, core: Core, parted: tuple[PartedSource, ...]) -> Part:
    """Return what keeps batches in step, and vessels coming and going where they are shared."""
    place, health = core.place, core.health
    tended = Tended(core.keeper, (core.keeper.loop_health,), health)
    if place.membership is None:
        return tended
    lease = Tended(Idle(), (place.membership.loop_health,), health)
    if not isinstance(place.turf, Shared):
        return Together(lease, tended)
    surroundings = Surroundings(
        store=place.store,
        desk=core.desk,
        pipeline=core.pipeline,
        keeper=core.keeper,
        notifier=core.notifier,
        sources=parted,
        clock=core.clock,
    )
    share = Share(config.vessels, place.membership, place.turf, surroundings)
    return Together(lease, tended, Tended(share, (share.loop_health,), health))


def _makers(core: Core) -> Makers:
    return Makers(
        sources=partial(_sources, clock=core.clock),
        notifier=lambda config: make_notifier(config, core.place, core.clock, core.running),
        tended=lambda notifier: Tended(notifier, notifier.loops(), core.health),
        late=partial(late_parts, core),
    )


def _watchdog(environ: Mapping[str, str], core: Core, say: Callable[[str], object]) -> Watchdog:
    return Watchdog(
        core.health,
        partial(core.pipeline.call, timeout_s=1.0),
        say,
        core.clock,
        interval_s=watchdog_interval_s(environ, os.getpid()),
    )
