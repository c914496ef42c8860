"""Kinds of sources, one line each; a kind's module is imported only when a config names it."""

from collections.abc import Sequence
from importlib import import_module
from typing import NamedTuple, Protocol, Self, runtime_checkable

from ullage.adapters.channel import Channel
from ullage.adapters.clock import Clock
from ullage.adapters.errors import ConfigError
from ullage.adapters.source import Source


class _Kind(NamedTuple):
    settings: str
    source: str


_KINDS = {
    "mqtt": _Kind("ullage.adapters.mqtt_settings:MqttSettings", "ullage.adapters.mqtt:MqttSource"),
    "serial": _Kind(
        "ullage.adapters.serial_settings:SerialSettings", "ullage.adapters.serial_line:SerialSource"
    ),
    "log": _Kind(
        "ullage.adapters.recorded_source:RecordedLogSettings",
        "ullage.adapters.recorded_source:RecordedLogSource",
    ),
    "simulated": _Kind(
        "ullage.adapters.simulated:SimulatedSettings", "ullage.adapters.simulated:SimulatedSource"
    ),
}


@runtime_checkable
class Divisible(Protocol):
    """Settings of a source that any machine can open, one session for each part of the vessels. A cable is none."""

    def for_part(self, source: str, number: int) -> Self:
        """Return the settings of the session of one part; the same whichever machine opens it."""
        ...


def kinds() -> tuple[str, ...]:
    """Return the names that `kind:` of a source may have."""
    return tuple(_KINDS)


def settings_type(kind: str) -> type:
    """Return the settings type of a kind: a frozen dataclass of which every field is a key under the source.

    Raises
    ------
    ConfigError
        If there is no such kind.
    """
    found = _load(_kind(kind).settings)
    assert isinstance(found, type)
    return found


def build(kind: str, name: str, settings: object, channels: Sequence[Channel], clock: Clock) -> Source:
    """Build a source; it does nothing until it is started.

    Parameters
    ----------
    kind
        One of `kinds()`.
    name
        The key under `sources:` in the config.
    settings
        Of the type that `settings_type(kind)` names.
    channels
        Those that read from this source.
    clock
        Stamps arrivals and counts delays.

    Raises
    ------
    ConfigError
        If there is no such kind, the settings are another's, or a channel can't be right.
    """
    if not isinstance(settings, settings_type(kind)):
        raise ConfigError(
            f"source {name}", f"has settings of type {type(settings).__name__}, not of kind {kind}"
        )
    source = _load(_kind(kind).source)(name, settings, channels, clock)
    assert isinstance(source, Source)
    return source


def _kind(kind: str) -> _Kind:
    found = _KINDS.get(kind)
    if found is None:
        raise ConfigError(f"kind {kind!r}", "is not a kind of source", "write one of " + ", ".join(_KINDS))
    return found


def _load(place: str) -> type:
    module, _, name = place.partition(":")
    found: type = getattr(import_module(module), name)
    return found
