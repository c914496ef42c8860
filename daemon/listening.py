"""Listening to the sources for a while before anything runs unattended: what comes, and what can't be used."""

import secrets
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any

from ullage.adapters.channel import Channel
from ullage.adapters.reading import Delivery, Reading, Reason, Refusal
from ullage.adapters.registry import build
from ullage.adapters.source import Source
from ullage.daemon.clock import Clock
from ullage.daemon.settings import Config, SourceSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What came while listening."""

    readings: Counter[tuple[str, str]]
    """How many, by vessel and quantity."""
    latest: dict[tuple[str, str], Reading]
    refusals: Counter[tuple[str, Reason]]
    """How many, by source and reason."""
    examples: dict[tuple[str, Reason], Refusal]
    """The first of each."""
    unconnected: tuple[tuple[str, str], ...]
    """Sources that were not connected at the end, and why."""
    silent: tuple[Channel, ...]
    """Channels that nothing came for."""


class _Ear:
    """Takes deliveries from the sources' threads."""

    def __init__(self, told: Callable[[Reading | Refusal], None]) -> None:
        self._lock = threading.Lock()
        self._told = told
        self.readings: Counter[tuple[str, str]] = Counter()
        self.latest: dict[tuple[str, str], Reading] = {}
        self.refusals: Counter[tuple[str, Reason]] = Counter()
        self.examples: dict[tuple[str, Reason], Refusal] = {}

    def take(self, delivery: Delivery) -> None:
        with self._lock:
            for reading in delivery.readings:
                key = (reading.vessel, reading.quantity.value)
                if key not in self.readings:
                    self._told(reading)
                self.readings[key] += 1
                self.latest[key] = reading
            for refusal in delivery.refusals:
                why = (refusal.source, refusal.reason)
                if why not in self.examples:
                    self.examples[why] = refusal
                    self._told(refusal)
                self.refusals[why] += 1
        delivery.acknowledge()


def listen(
    config: Config,
    clock: Clock,
    seconds: float,
    told: Callable[[Reading | Refusal], None],
    wait: Callable[[float], None] = time.sleep,
) -> Heard:
    """Open every source that a channel uses for some seconds; nothing is stored and no alarm is raised.

    Parameters
    ----------
    config
        The configuration.
    clock
        Stamps arrivals.
    seconds
        How long.
    told
        Called with the first reading of each channel and the first refusal of each kind, as they come.
    wait
        Lets the seconds pass.

    Raises
    ------
    ConfigError
        If a source can't be built from its settings and channels.
    """
    ear = _Ear(told)
    channels = config.channels()
    sources = [
        _build(source, [channel for channel in channels if channel.source == source.name], clock)
        for source in config.sources
        if any(channel.source == source.name for channel in channels)
    ]
    started: list[Source] = []
    try:
        for source in sources:
            source.start(ear.take)
            started.append(source)
        wait(seconds)
        healths = [source.health() for source in sources]
    finally:
        for source in started:
            source.stop()
    return Heard(
        readings=ear.readings,
        latest=ear.latest,
        refusals=ear.refusals,
        examples=ear.examples,
        unconnected=tuple((health.name, health.detail) for health in healths if not health.connected),
        silent=tuple(c for c in channels if c.source and (c.vessel, c.quantity.value) not in ear.readings),
    )


def _build(source: SourceSettings, channels: Sequence[Channel], clock: Clock) -> Source:
    return build(source.kind, source.name, _as_guest(source.settings), channels, clock)


def _as_guest(settings: object) -> Any:
    """Return settings under which listening takes nothing away from the running daemon.

    A broker would give the daemon's session, and what waits in it, to whoever comes with its client id.
    """
    guest: dict[str, object] = {
        "client_id": f"ullage-check-{secrets.token_hex(4)}",
        "session_expiry_s": 0,
        "status_topic": "",
    }
    if not is_dataclass(settings) or isinstance(settings, type):
        return settings
    names = {field.name for field in fields(settings)}
    return replace(settings, **{key: value for key, value in guest.items() if key in names})
