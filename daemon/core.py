"""What judges readings, tells and keeps what comes of it: made and joined here, everything else stands around it."""

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

from ullage.daemon import sharing
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.attaching import Attaching, can_draw
from ullage.daemon.batch_alarms import acknowledge_ended
from ullage.daemon.batch_keeper import BatchKeeper
from ullage.daemon.batches import BatchView, adopt, view
from ullage.daemon.clock import Clock
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.events import Event
from ullage.daemon.gate import FUTURE_S
from ullage.daemon.health import Health
from ullage.daemon.joining import Place
from ullage.daemon.local_time import LocalTime
from ullage.daemon.makeshift import DAMAGED, NO_DATABASE
from ullage.daemon.notifier import Notifier
from ullage.daemon.pipeline import Pipeline, PipelineSettings
from ullage.daemon.pitching import follow_pitching
from ullage.daemon.rebuild import Rebuilt, rebuild
from ullage.daemon.receipts import Receipts
from ullage.daemon.room import Room
from ullage.daemon.routes import Nobody, Routes
from ullage.daemon.service import unknown_vessels
from ullage.daemon.settings import Config
from ullage.daemon.sharing import MOST_HELD
from ullage.daemon.snapshot import fingerprint
from ullage.daemon.steady_clock import SteadyClock
from ullage.daemon.store.engine import parse_url, sqlite_path
from ullage.daemon.store.journal_tail import entries_after, last_entry_id
from ullage.daemon.store.store import Store
from ullage.daemon.watched import Watched
from ullage.daemon.writer import Writer, WriterSettings
from ullage.detectors.finding import Priority
from ullage.detectors.journal import Word

log = logging.getLogger(__name__)

RESTAMPED_S = 1000.0
"""How old a reading may be that is stamped anew when the clock is set forward: all that may wait to be written."""
RECEIPTS_S = 60.0
"""Shortest time between two commits that are made to acknowledge messages: a commit every 5 s writes 200 MB a day to the
card of two vessels that speak each second, one a minute 16. A sender of more than a dozen messages a minute is answered
before the commit: the interval's readings are what a power cut costs there."""
REBUILD_ALLOWED_US = 300_000_000
"""What the service manager is asked to wait while a vessel's stored readings are judged again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Core:
    """The parts that every other part of the daemon is made from."""

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


def make_core(config: Config, place: Place, clock: SteadyClock, say: Callable[[str], object]) -> Core:
    """Return it with every vessel judged as far as its stored readings go; nothing is started."""
    store, shared = place.store, config.share is not None
    # what is watched is asked for when an end is told: by then there is a pipeline
    notifier = make_notifier(config, place, clock, lambda: pipeline.watched)
    desk = _desk(config, place, notifier or Nobody(), clock)
    vessels = () if shared else config.vessels  # what is shared comes and goes
    views = _views(vessels, store, desk, clock)
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
    return Core(
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


def make_notifier(
    config: Config, place: Place, clock: Clock, running: Callable[[], Mapping[str, Watched]]
) -> Notifier | None:
    """Return what tells people, None if nobody is to be told; `running` gives the vessels that are watched now."""
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


def _views(
    vessels: Sequence[WatchedVessel], store: Store, desk: AlarmDesk, clock: Clock
) -> tuple[BatchView, ...]:
    for vessel in vessels:
        adopt(store, vessel, clock.wall_s())
        ended_s = follow_pitching(store, vessel, clock.wall_s())
        if ended_s is not None:
            acknowledge_ended(desk, vessel.vessel.name, Word.PITCHED.value, ended_s)
    return tuple(view(store, vessel) for vessel in vessels)


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


def _health(pipeline: Pipeline, writer: Writer) -> Health:
    health = Health()
    for loop in (pipeline.heartbeat.health, pipeline.books.heartbeat.health, writer.heartbeat.health):
        health.watch(loop)
    return health


def _set_right(store: Store, keeper: BatchKeeper, clock: Clock, step_s: float) -> None:
    """Stamp anew what the clock has stamped wrongly and is not yet written, and judge from what is stored then."""
    now_s = clock.wall_s()
    if step_s > 0:
        count = store.restamp(now_s - step_s - RESTAMPED_S, now_s - step_s + 1.0, step_s)
    else:
        count = store.restamp(now_s + FUTURE_S, now_s - step_s + 1.0, step_s)
    log.warning("readings stamped anew", extra={"step_s": round(step_s, 1), "readings": count})
    keeper.renew()
