"""What is put together in another way where several daemons share the vessels."""

from collections.abc import Callable, Collection, Mapping, Sequence
from functools import partial

from ullage.adapters import registry as adapters
from ullage.adapters.channel import Channel
from ullage.adapters.errors import ConfigError
from ullage.adapters.registry import Divisible
from ullage.adapters.source import Source
from ullage.daemon.clock import Clock
from ullage.daemon.membership import Membership, Standing
from ullage.daemon.parted_source import PartedSource
from ullage.daemon.pipeline import PipelineSettings
from ullage.daemon.service import Part, Service
from ullage.daemon.settings import Config, SourceSettings, load

MOST_HELD = 250
"""Messages of one session that wait for their commit at most: half of what a broker of MQTT 5 is asked to send."""
RECEIPTS_S = 5.0
"""Time between two commits; what is not committed comes again at a takeover."""
PIPELINE = PipelineSettings(gather_s=0.05, judge_within_s=4.0)
"""Readings are judged together but for pressures near the rated limit: to look at a vessel costs the same for one reading
as for a few, and is most of what a message costs."""
POLL_S = 0.5
"""How soon it is noticed that a broker sends no more before it hears from us."""
HUNG_UP_S = 60.0
"""While the database is away: how long to keep off a session on which the broker has hung up. Another daemon, for which
the database is not away, may have opened it; or the broker was started anew, and nobody else would come."""
SNAPSHOTS_S = 600.0
"""How often each vessel's detector state is written: the readings since are judged again at a takeover."""


def parted_sources(config: Config, membership: Membership, clock: Clock) -> tuple[PartedSource, ...]:
    """Return every source of the configuration as sessions of parts; none is open yet.

    Raises
    ------
    ConfigError
        If a source can't be built from its settings and channels.
    """

    made: list[PartedSource] = []
    for source in config.sources:
        channels = [channel for channel in config.channels() if channel.source == source.name]
        if channels and isinstance(source.settings, Divisible):
            adapters.build(
                source.kind, source.name, source.settings, channels, clock
            )  # may they all be right
            make = partial(_part, source, channels, clock)
            permitted = partial(_permitted, membership)
            made.append(PartedSource(source.name, make, permitted, clock))
    return tuple(made)


def may_open(standing: Standing, down_s: float) -> bool:
    """Tell whether a session may be opened that has been down for so long since the broker hung up on it."""
    return standing is Standing.HELD or (standing is Standing.AWAY and down_s > HUNG_UP_S)


def _permitted(membership: Membership, down_s: float) -> bool:
    return may_open(membership.standing(), down_s)


def _part(
    source: SourceSettings, channels: Sequence[Channel], clock: Clock, number: int, vessels: Collection[str]
) -> Source | None:
    own = [channel for channel in channels if channel.vessel in vessels]
    if not own:
        return None
    assert isinstance(source.settings, Divisible)
    return adapters.build(source.kind, source.name, source.settings.for_part(source.name, number), own, clock)


class Idle:
    """A part that runs already: it was started before the others were made, and ends after them."""

    def start(self) -> None:
        """Do nothing."""

    def stop(self) -> None:
        """Do nothing."""


class Together:
    """Parts that start one after another and stop the other way round."""

    def __init__(self, *parts: Part) -> None:
        self._parts = parts

    def start(self) -> None:
        """Start them."""
        for part in self._parts:
            part.start()

    def stop(self) -> None:
        """Stop them."""
        for part in reversed(self._parts):
            part.stop()


def next_start(config: Config, environ: Mapping[str, str]) -> Callable[[Service], str]:
    """Return what says that a changed configuration is right and counts from the next start on.

    Raises
    ------
    ConfigError
        If it is wrong.
    """
    if load(config.path, environ).share is None:
        raise ConfigError("share", "can't be given up while the daemon runs", "stop it and start it anew")
    return lambda service: "none yet: where vessels are shared it counts from the next start on"
