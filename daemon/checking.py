"""What a configuration will do, as lines for a person; and what about it may be better."""

from collections.abc import Iterator

from ullage.adapters.channel import Channel, Reference
from ullage.adapters.errors import ConfigError, StoreError
from ullage.adapters.reading import Quantity
from ullage.adapters.registry import build
from ullage.adapters.units import conversion
from ullage.daemon.attaching import can_draw
from ullage.daemon.beacon import Beacon
from ullage.daemon.clock import Clock
from ullage.daemon.config_files import loose_files
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.delivery import open_target
from ullage.daemon.describing import missing, promises
from ullage.daemon.room import Room
from ullage.daemon.settings import Config
from ullage.daemon.store.engine import label, make_engine, parse_url, sqlite_path
from ullage.daemon.times import duration_text
from ullage.detectors.advice_limits import working_limit_bar
from ullage.detectors.finding import Condition, Priority

_STRONGEST_BAR = 12.0
"""Above what kegs (9 bar) and the pressure tanks of the trade are rated for."""


def plain_words(config: Config) -> Iterator[str]:
    """Yield lines that say what each vessel will do, who is told, and where readings are kept."""
    said: dict[tuple[str, ...], str] = {}
    for watched in config.vessels:
        yield from _described(watched, config)
        limits = tuple(_limits(watched, config))
        first = said.setdefault(limits, watched.vessel.name)
        yield from (
            limits if first == watched.vessel.name else (f"  told of as {first} is, by the same limits",)
        )
        yield from (f"  missing: {sentence}" for sentence in missing(watched))
        yield ""
    yield from _told(config)
    yield from _by_itself(config)
    store = config.store
    yield (
        f"Readings go to {label(parse_url(store.url))}, are written every {store.commit_interval_s:g} s and kept "
        f"one by one for {store.keep_days:g} days."
    )
    if sqlite_path(parse_url(store.url)) is not None and store.free_space_floor_mb:
        yield (
            f"With less than {store.free_space_floor_mb:g} MB free on that disk readings wait in memory for room; alarms, "
            "journal and messages are still written."
        )
    zone = config.timezone or "this machine's zone"
    yield f"Times are shown in {zone}."
    yield (
        "ullage observes; the relief valve protects. Keep every vessel within its rating and inspection date, air the "
        "room (CO2), keep mains away from liquids, and follow local codes."
    )


def _described(watched: WatchedVessel, config: Config) -> Iterator[str]:
    """Say what the vessel is and what is read of it."""
    vessel = watched.vessel
    valve = (
        f"valve set to {vessel.valve_pressure_bar:g} bar"
        if vessel.valve_pressure_bar is not None
        else "no valve: sealed"
    )
    yield (
        f"{vessel.name}: {vessel.total_volume_l:g} L with {vessel.beer_volume_l:g} L of beer, rated "
        f"{vessel.rated_pressure_bar:g} bar, {valve}"
    )
    kinds = {source.name: source.kind for source in config.sources}
    for channel in watched.channels:
        yield f"  {_channel(channel, kinds)}"


def _limits(watched: WatchedVessel, config: Config) -> Iterator[str]:
    """Say what is told of the vessel, and to whom."""
    for promise in promises(watched):
        told = ", ".join(targets_of(config, promise.priority)) or "NOBODY"
        yield f"  {promise.what} [{promise.priority.value}, tells {told}]: {promise.text}"


def _channel(channel: Channel, kinds: dict[str, str]) -> str:
    if not channel.source:
        return f"{channel.quantity.value} from recorded logs only: it names no source"
    words = [f"{channel.quantity.value} from {channel.source} ({kinds.get(channel.source, 'unknown')})"]
    if channel.topic:
        words.append(f"topic {channel.topic}")
    for key in ("pointer", "senml_name", "key", "column"):
        value = getattr(channel, key)
        if value is not None:
            words.append(f"{key} {value}")
    if channel.unit:
        words.append(f"in {channel.unit}")
    if channel.quantity is Quantity.PRESSURE:
        absolute = f"absolute, less {channel.air_pressure_bar:g} bar of air"
        words.append(absolute if channel.reference is Reference.ABSOLUTE else "gauge")
    if (channel.scale, channel.offset) != (1.0, 0.0):
        words.append(f"times {channel.scale:g} plus {channel.offset:g}")
    return ", ".join(words)


def targets_of(config: Config, priority: Priority) -> tuple[str, ...]:
    """Return the names of the targets that are told of a priority."""
    return tuple(name for name, target in config.notify.named_targets() if priority in target.priorities)


def _told(config: Config) -> Iterator[str]:
    for name, target in config.notify.named_targets():
        yield f"{name} is told of: {', '.join(priority.value for priority in target.priorities)}"
    yield from _pictures(config)
    if config.notify.targets and config.notify.quiet_hours:
        yield f"Between {config.notify.quiet_hours} only critical messages ring; the others wait."


def _pictures(config: Config) -> Iterator[str]:
    named = [
        name
        for name, target in config.notify.named_targets()
        if target.pictures and not target.to_console and Priority.MEDIUM in target.priorities
    ]
    if not named:
        return
    if can_draw():
        yield f"With {Condition.FINISHED.value} a picture of the batch goes to {', '.join(named)}, if the service takes any."
    else:
        yield f"  missing: no picture comes with {Condition.FINISHED.value}: pip install '.[png]'"


def _by_itself(config: Config) -> Iterator[str]:
    """Say what comes without anything having happened."""
    repeats = ", ".join(
        f"{priority.value} after {duration_text(60 * minutes)}"
        for priority, minutes in config.alarms.remind_after_min.items()
    )
    yield f"Alarms that nobody acknowledges are told again: {repeats}."
    yield from _page(config)
    schedule = config.schedule
    if schedule.daily_digest:
        yield f"A line on how all vessels are comes each day at {schedule.daily_digest}."
    if schedule.heartbeat is not None:
        yield f"A watcher outside is told every {schedule.heartbeat.every_s:g} s that all is well."
    else:
        yield (
            "  missing: no schedule.heartbeat: nobody will notice if this machine itself dies; give the address of a "
            "watcher that rings when it hears nothing"
        )


def _page(config: Config) -> Iterator[str]:
    page = config.page
    if page is None:
        yield "No page is served: there is no `page:`."
        return
    who = "whoever has the token" if page.token_file is not None else "anybody at this machine"
    may = "looks" if page.read_only else "looks and acts"
    yield f"A page is served at {page.host}:{page.port}, where {who} {may}."


def warnings(config: Config) -> Iterator[str]:
    """Yield a sentence for each thing that is allowed and probably not meant."""
    used = {channel.source for channel in config.channels()}
    if not used - {""}:
        yield "no vessel has a channel with a source: nothing will be read"
    for source in config.sources:
        if source.name not in used:
            yield f"sources.{source.name}: no channel uses it: what it sends is left alone"
    yield from _beyond_any_plate(config)
    yield from _near_the_plate(config)
    yield from loose_files(config)
    if config.store.url in ("sqlite://", "sqlite:///:memory:"):
        yield "store.url: a database in memory forgets everything, alarms too, when the daemon ends"
    room = Room(sqlite_path(parse_url(config.store.url)), config.store.free_space_floor_mb)
    if not room.enough():
        yield (
            f"store.free_space_floor_mb: the disk has {room.free_mb():.0f} MB free, less than {room.floor_mb:g}: readings "
            "will wait in memory until there is room"
        )
    yield from config.notify.warnings()


def _beyond_any_plate(config: Config) -> Iterator[str]:
    """Yield a sentence for each rating that is hardly one in bar."""
    for watched in config.vessels:
        rated_bar = watched.vessel.rated_pressure_bar
        if rated_bar > _STRONGEST_BAR:
            psi_in_bar = conversion(Quantity.PRESSURE, "[psi]").convert(rated_bar)
            yield (
                f"vessels.{watched.vessel.name}.rated_pressure_bar: {rated_bar:g} bar is more than beer vessels bear. If the "
                f"plate says {rated_bar:g} psi, write {psi_in_bar:.2f}: above the true limit nobody would be told"
            )


def _near_the_plate(config: Config) -> Iterator[str]:
    """Yield a sentence for each valve whose own spread may carry it to the vessel's plate."""
    for watched in config.vessels:
        vessel = watched.vessel
        bar, limit_bar = vessel.valve_pressure_bar, working_limit_bar(vessel)
        if bar is not None and bar > limit_bar:
            yield (
                f"vessels.{vessel.name}.valve_pressure_bar: {bar:g} bar is close to the plate's "
                f"{vessel.rated_pressure_bar:g} bar, and a small valve holds to 0.1 or 0.2 bar at best: "
                f"{limit_bar:g} bar or less is advised"
            )


def source_problems(config: Config, clock: Clock) -> Iterator[str]:
    """Yield a sentence for each source that can't be built from its settings and channels; nothing is opened."""
    channels = config.channels()
    for source in config.sources:
        try:
            build(
                source.kind,
                source.name,
                source.settings,
                [c for c in channels if c.source == source.name],
                clock,
            )
        except ConfigError as error:
            yield str(error)


def store_problems(config: Config) -> Iterator[str]:
    """Yield a sentence if the database's URL leads nowhere; nothing is opened or made."""
    try:
        url = parse_url(config.store.url)
        if url.get_backend_name() != "sqlite":
            make_engine(url, read_only=True, busy_timeout_s=config.store.busy_timeout_s).dispose()
    except StoreError as error:
        yield str(error)


def target_problems(config: Config) -> Iterator[str]:
    """Yield a sentence for each target, and the watcher, whose address is missing or leads nowhere."""
    for name, target in config.notify.named_targets():
        try:
            open_target(name, target)
        except ConfigError as error:
            yield str(error)
    if config.schedule.heartbeat is not None:
        try:
            Beacon(config.schedule.heartbeat, lambda: True)
        except ConfigError as error:
            yield str(error)
