"""Makes every part of the running daemon from the configuration and joins them.

Nothing is started here but the thread that keeps this daemon's place at a database on a server.
"""

import logging
import os
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

from ullage.adapters import registry as adapters
from ullage.adapters.source import Source
from ullage.daemon import sharing
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.attaching import Attaching, can_draw
from ullage.daemon.batch_keeper import BatchKeeper
from ullage.daemon.batches import BatchView, adopt, view
from ullage.daemon.clock import Clock, SystemClock
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.events import Event
from ullage.daemon.gate import FUTURE_S
from ullage.daemon.health import Health
from ullage.daemon.joining import Place, take_place
from ullage.daemon.local_time import LocalTime
from ullage.daemon.makeshift import DAMAGED, NO_DATABASE
from ullage.daemon.notifier import Notifier
from ullage.daemon.page_settings import PageSettings
from ullage.daemon.parted_source import PartedSource
from ullage.daemon.pipeline import Pipeline, PipelineSettings
from ullage.daemon.pitching import follow_pitching
from ullage.daemon.rebuild import Rebuilt, rebuild
from ullage.daemon.receipts import Receipts
from ullage.daemon.reloading import Makers, Reload
from ullage.daemon.restarts import Restarts
from ullage.daemon.room import Room
from ullage.daemon.routes import Nobody, Routes
from ullage.daemon.sd_notify import notify, watchdog_interval_s
from ullage.daemon.service import Late, Part, Parts, Service, unknown_vessels
from ullage.daemon.settings import Config
from ullage.daemon.share import Share, Surroundings
from ullage.daemon.sharing import MOST_HELD, Idle, Together, next_start, parted_sources
from ullage.daemon.snapshot import fingerprint
from ullage.daemon.steady_clock import SteadyClock
from ullage.daemon.store.engine import parse_url, sqlite_path
from ullage.daemon.store.journal_tail import entries_after, last_entry_id
from ullage.daemon.store.leases import HOUSE
from ullage.daemon.store.store import Store
from ullage.daemon.tended import Tended
from ullage.daemon.turf import Shared
from ullage.daemon.watchdog import Watchdog
from ullage.daemon.watched import Watched
from ullage.daemon.writer import Writer, WriterSettings
from ullage.detectors.finding import Priority

log = logging.getLogger(__name__)

RESTAMPED_S = 1000.0
"""How old a reading may be that is stamped anew when the clock is set forward: all that may wait to be written."""
RECEIPTS_S = 60.0
"""Shortest time between two commits that are made to acknowledge messages: a commit every 5 s writes 200 MB a day to the
card of two vessels that speak each second, one a minute 16. A sender of more than a dozen messages a minute is answered
before the commit: the interval's readings are what a power cut costs there."""
REBUILD_ALLOWED_US = 300_000_000
"""What the service manager is asked to wait while a vessel's stored readings are judged again."""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Core:
    """What judges readings, and tells and keeps what comes of it: everything else stands around it."""

    place: Place
    clock: SteadyClock
    notifier: Notifier | None
    """As it was made at the start: a reload may put another in its place."""
    desk: AlarmDesk
    pipeline: Pipeline
    writer: Writer
    keeper: BatchKeeper
    room: Room
    health: Health
    rebuilt: tuple[Rebuilt, ...]

    def running(self) -> Mapping[str, Watched]:
        """Return the vessels that are watched now."""
        return self.pipeline.watched


def _assembled(
    config: Config, environ: Mapping[str, str], machine: Clock, say: Callable[[str], object], place: Place
) -> Service:
    clock = SteadyClock(machine, place.store.newest_s())
    shared = config.share is not None
    parted = parted_sources(config, place.membership, clock) if shared and place.membership else ()
    sources = parted or _sources(config, [source.name for source in config.sources], clock)
    core = _core(config, place, clock, say)
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
            reload=partial(next_start, config, environ) if shared else _reload(config, environ, core, makers),
            restarts=Restarts(place.store, core.desk, clock, place.turf.name),
            place=place,
        )
    )


def _core(config: Config, place: Place, clock: SteadyClock, say: Callable[[str], object]) -> _Core:
    store, shared = place.store, config.share is not None
    # what is watched is asked for when an end is told: by then there is a pipeline
    notifier = _notifier(config, place, clock, lambda: pipeline.watched)
    desk = _desk(config, place, notifier or Nobody(), clock)
    vessels = () if shared else config.vessels  # what is shared comes and goes
    views = _views(vessels, store, clock)
    rebuilt = () if shared else _rebuild(views, store, desk, clock, say)
    marks = {v.watched.vessel.name: fingerprint(v.watched.vessel, v.watched.detectors, v.mark) for v in views}
    # what is acknowledged is in nobody's hands but ours, like an alarm that is not stored
    ours = partial(place.turf.may_tell, stored=False)
    receipts = Receipts(most=MOST_HELD, ask_at=1, may_let_go=ours) if shared else Receipts(may_let_go=ours)
    pipeline = Pipeline(
        {r.watched.name: r.watched for r in rebuilt},
        store,
        desk,
        clock,
        settings=sharing.PIPELINE if shared else PipelineSettings(),
        receipts=receipts,
        promise=desk.promise,
        others_by_s=clock.others_by_s,
    )
    room = _room(config, place)
    writer = _writer(config, store, pipeline, clock, marks, rebuilt, receipts, desk, room)
    keeper = BatchKeeper(
        vessels, views, store=store, desk=desk, pipeline=pipeline, clock=clock, fingerprints=marks
    )
    pipeline.books.told, pipeline.books.held = writer.hurry, writer.free
    pipeline.stepped = partial(_set_right, store, keeper, clock)
    return _Core(
        place=place,
        clock=clock,
        notifier=notifier,
        desk=desk,
        pipeline=pipeline,
        writer=writer,
        keeper=keeper,
        room=room,
        health=_health(pipeline, writer),
        rebuilt=rebuilt,
    )


def _health(pipeline: Pipeline, writer: Writer) -> Health:
    health = Health()
    for loop in (pipeline.heartbeat.health, pipeline.books.heartbeat.health, writer.heartbeat.health):
        health.watch(loop)
    return health


def _makers(core: _Core) -> Makers:
    return Makers(
        sources=partial(_sources, clock=core.clock),
        notifier=lambda config: _notifier(config, core.place, core.clock, core.running),
        tended=lambda notifier: Tended(notifier, notifier.loops(), core.health),
        late=partial(_late, core),
    )


def _reload(
    config: Config, environ: Mapping[str, str], core: _Core, makers: Makers
) -> Callable[[], Callable[[Service], str]]:
    reload = Reload(
        config,
        environ,
        makers,
        store=core.place.store,
        desk=core.desk,
        pipeline=core.pipeline,
        keeper=core.keeper,
        notifier=core.notifier,
        clock=core.clock,
        room=core.room,
    )
    return reload.prepare


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


def _keeping(config: Config, core: _Core, parted: tuple[PartedSource, ...]) -> Part:
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


def _notifier(
    config: Config, place: Place, clock: Clock, running: Callable[[], Mapping[str, Watched]]
) -> Notifier | None:
    if not config.notify.targets:
        log.warning(
            "nobody will be told of anything", extra={"hint": "give at least one target under notify"}
        )
        return None
    attaching = None
    if can_draw():
        zone = LocalTime.named(config.timezone)
        attaching = Attaching(partial(_draw_end, place.store, config.vessels, clock, zone, running))
    return Notifier(
        config.notify,
        place.store,
        clock,
        timezone=config.timezone,
        attaching=attaching,
        turf=place.turf,
    )


def _draw_end(
    store: Store,
    vessels: Sequence[WatchedVessel],
    clock: Clock,
    zone: LocalTime,
    running: Callable[[], Mapping[str, Watched]],
    event: Event,
    timeout_s: float,
) -> bytes:
    from ullage.daemon.batch_picture import draw_end  # with the first end that is told, not before

    return draw_end(store, vessels, clock, zone, running, event, timeout_s)


def _desk(config: Config, place: Place, routes: Routes, clock: Clock) -> AlarmDesk:
    desk = AlarmDesk(place.store, routes, clock, config.alarms, turf=place.turf)
    if place.store.moved_aside is not None:
        told = (
            f"The database was damaged. It was moved to {place.store.moved_aside} and a new one begun, with "
            f"{place.store.salvaged} rows that could be read of it."
        )
        desk.announce("storage", told, priority=Priority.HIGH)
        desk.report(DAMAGED, False, "A new database was begun.")
    if place.makeshift is not None:
        desk.report(NO_DATABASE, True, place.makeshift.text())
    else:
        desk.report(NO_DATABASE, False, "The database is in use again.")
    return desk


def _set_right(store: Store, keeper: BatchKeeper, clock: Clock, step_s: float) -> None:
    """Stamp anew what the clock has stamped wrongly and is not yet written, and judge from what is stored then."""
    now_s = clock.wall_s()
    if step_s > 0:
        count = store.restamp(now_s - step_s - RESTAMPED_S, now_s - step_s + 1.0, step_s)
    else:
        count = store.restamp(now_s + FUTURE_S, now_s - step_s + 1.0, step_s)
    log.warning("readings stamped anew", extra={"step_s": round(step_s, 1), "readings": count})
    keeper.renew()


def _views(vessels: Sequence[WatchedVessel], store: Store, clock: Clock) -> tuple[BatchView, ...]:
    for vessel in vessels:
        adopt(store, vessel, clock.wall_s())
        follow_pitching(store, vessel, clock.wall_s())
    return tuple(view(store, vessel) for vessel in vessels)


def _room(config: Config, place: Place) -> Room:
    file = None if place.makeshift is not None else sqlite_path(parse_url(config.store.url))
    return Room(file, config.store.free_space_floor_mb)


def _writer(
    config: Config,
    store: Store,
    pipeline: Pipeline,
    clock: Clock,
    fingerprints: Mapping[str, str],
    rebuilt: Sequence[Rebuilt],
    receipts: Receipts,
    desk: AlarmDesk,
    room: Room,
) -> Writer:
    interval_s, settings = config.store.commit_interval_s, WriterSettings()
    if config.share is None:
        receipts_s, snapshots_s = min(RECEIPTS_S, interval_s), settings.snapshot_interval_s
    else:
        receipts_s, snapshots_s = sharing.RECEIPTS_S, sharing.SNAPSHOTS_S
    return Writer(
        store,
        pipeline,
        clock,
        entries_after=partial(entries_after, store),
        fingerprints=fingerprints,
        settings=replace(
            settings,
            commit_interval_s=interval_s,
            receipt_interval_s=receipts_s,
            snapshot_interval_s=snapshots_s,
            mind_stalls=config.share is not None,
            poll_interval_s=settings.poll_interval_s if config.share is None else sharing.POLL_S,
        ),
        last_entry_id=min((r.watched.last_entry_id for r in rebuilt), default=last_entry_id(store)),
        receipts=receipts,
        clock_set=lambda: pipeline.time_known,
        settled=lambda: desk.health().unsaved == 0,
        room=partial(room.look, desk),
    )


def _watchdog(environ: Mapping[str, str], core: _Core, say: Callable[[str], object]) -> Watchdog:
    return Watchdog(
        core.health,
        partial(core.pipeline.call, timeout_s=1.0),
        say,
        core.clock,
        interval_s=watchdog_interval_s(environ, os.getpid()),
    )


def _rebuild(
    views: Sequence[BatchView],
    store: Store,
    desk: AlarmDesk,
    clock: Clock,
    say: Callable[[str], object],
) -> tuple[Rebuilt, ...]:
    standing = desk.standing()
    rebuilt = []
    for known in views:
        say(
            f"EXTEND_TIMEOUT_USEC={REBUILD_ALLOWED_US}\n"
            f"STATUS=Judging the stored readings of {known.watched.vessel.name} again"
        )
        made = rebuild(known.watched, store, clock, standing, begin_s=known.begin_s, mark=known.mark)
        rebuilt.append(made)
    for name in unknown_vessels(desk, {r.watched.name: r for r in rebuilt}):
        log.info("alarms of a vessel that is no longer configured are cleared", extra={"vessel": name})
        desk.reconcile(name, (), clock.wall_s())
    return tuple(rebuilt)


def _late(
    core: _Core, config: Config, notifier: Notifier | None, sources: tuple[Source, ...]
) -> tuple[Late, ...]:
    settings, zone, vessels = config.page, config.timezone, config.vessels
    late = [
        Late(
            name="upkeep",
            made_from=(config.schedule, config.store.keep_days, zone, vessels, config.notify),
            make=partial(_upkeep, core, config, notifier),
        )
    ]
    if settings is not None:
        token = settings.token()
        make = partial(_page, core, config, settings, token, sources)
        made_from = (settings, token, zone, vessels, sources)
        late.append(Late(name="page", made_from=made_from, make=make))
    return tuple(late)


def _upkeep(core: _Core, config: Config, notifier: Notifier | None) -> Part:
    """Make what comes round by itself; its imports are heavy, so they wait until readings are judged."""
    from ullage.daemon.batch_reminders import EVERY_S, remind
    from ullage.daemon.daily import daily_line
    from ullage.daemon.scheduler import Job
    from ullage.daemon.status import vessel_statuses
    from ullage.daemon.upkeep import Upkeep

    store, turf, desk, clock = core.place.store, core.place.turf, core.desk, core.clock

    def line() -> str:
        return daily_line(vessel_statuses(store, desk, config.vessels), clock.wall_s())

    def retain() -> None:
        store.retain(now_s=clock.wall_s(), keep_days=config.store.keep_days)

    def reminding() -> None:
        names = [vessel.vessel.name for vessel in config.vessels if turf.mine(vessel.vessel.name)]
        remind(store, desk, names, clock)

    upkeep = Upkeep(
        config.schedule,
        desk=desk,
        notifier=notifier,
        clock=clock,
        local=LocalTime.named(config.timezone),
        check_silence=core.pipeline.check_silence,
        retain=retain,
        check_database=store.check_integrity,
        daily_line=line,
        healthy=core.health.healthy,
        keep_days=config.store.keep_days,
        more=(Job(name="batches", run=reminding, every_s=EVERY_S, first_s=60.0),),
        house=lambda: turf.mine(HOUSE),
    )
    return Tended(upkeep, upkeep.loops(), core.health)


def _page(
    core: _Core, config: Config, settings: PageSettings, token: str | None, sources: tuple[Source, ...]
) -> Part:
    """Make the page; nothing of a web server is imported before."""
    from ullage.daemon.page.cellar import Cellar
    from ullage.daemon.page.server import PageServer

    zone = LocalTime.named(config.timezone)
    cellar = Cellar(core.place.store, core.desk, config.vessels, core.clock, zone, core.pipeline, sources)
    return PageServer(cellar, settings, token)
