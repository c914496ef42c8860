"""`vessels:` of the configuration: each vessel with its channels and the settings of its detectors."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

from ullage.adapters.channel import Channel
from ullage.adapters.errors import ConfigError, DataError
from ullage.adapters.log_air import stands_in
from ullage.adapters.reading import Quantity
from ullage.adapters.units import conversion
from ullage.daemon.config_blocks import ChannelBlock, DetectorKeys, VesselBlock
from ullage.daemon.config_text import ConfigText, Location, spell
from ullage.daemon.sentences import nearest
from ullage.detectors.registry import compose
from ullage.detectors.samples import Kind
from ullage.detectors.vessel import Vessel

_LONGEST_NAME = 64
_KINDS = {Quantity.TEMPERATURE: Kind.TEMPERATURE, Quantity.PRESSURE: Kind.PRESSURE}
"""Sensors that speak by themselves; a gravity may come once a day, from a person."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchedVessel:
    """A vessel, where its readings come from, and the settings of its detectors."""

    vessel: Vessel
    channels: tuple[Channel, ...]
    detectors: Mapping[str, object]
    """Composed: for `VesselWatch(vessel, detectors)`."""
    batch_began_s: float | None = None
    """When the batch of `vessel.batch` began, if the configuration says so."""


def read_vessels(
    blocks: Sequence[VesselBlock],
    detectors: DetectorKeys,
    sources: Collection[str] | None,
    text: ConfigText,
    problems: list[str],
    *,
    live: bool,
) -> tuple[WatchedVessel, ...]:
    """Return the vessels; add a sentence to `problems` for each thing that is wrong.

    Parameters
    ----------
    blocks
        `vessels:` as validated.
    detectors
        The keys for every vessel; a vessel's own win.
    sources
        Names that a channel may use; None for any.
    text, problems
        Where the values came from, and where the sentences go.
    live
        Whether channels will be read, so that their sensors are expected to speak.
    """
    found: list[WatchedVessel] = []
    names: list[str] = []
    for index, block in enumerate(blocks):
        at: Location = ("vessels", index)
        complaint = _about_name(block.name, names)
        if complaint:
            problems.append(_sentence(text, (*at, "name"), complaint))
        names.append(block.name)
        channels = tuple(_channel(block, quantity, one) for quantity, one in block.channel_blocks())
        problems.extend(_about_channels(channels, at, sources, text))
        found.append(
            WatchedVessel(
                vessel=_vessel(block, channels if live else ()),
                channels=channels,
                detectors=_composed(detectors, block, at, text, problems),
                batch_began_s=None if block.batch is None else block.batch.began_s,
            )
        )
    return tuple(found)


def _about_channels(
    channels: Sequence[Channel], at: Location, sources: Collection[str] | None, text: ConfigText
) -> Iterator[str]:
    """Yield a sentence for each thing that is wrong with a vessel's channels."""
    for channel in channels:
        for key, complaint, hint in _about_channel(channel, sources):
            yield _sentence(text, (*at, channel.quantity.value, key), complaint, hint)


def _vessel(block: VesselBlock, channels: Sequence[Channel]) -> Vessel:
    own = {f.name: getattr(block, f.name) for f in fields(Vessel)}
    expected = {_KINDS[c.quantity] for c in channels if c.source and c.quantity in _KINDS}
    wishes = None if block.batch is None else block.batch.wishes()
    return Vessel(**own | {"sensors": frozenset(expected), "batch": wishes})


def _sentence(text: ConfigText, at: Location, complaint: str, hint: str = "") -> str:
    return str(ConfigError(text.where(at), f"{spell(at)} {complaint}", hint))


def _about_name(name: str, earlier: Collection[str]) -> str:
    if name in earlier:
        return f"{name!r} is taken by another vessel; each needs a name of its own"
    if not name.strip() or name != name.strip() or not name.isprintable() or len(name) > _LONGEST_NAME:
        return f"{name[:80]!r} must be 1 to {_LONGEST_NAME} printable characters without blanks around them"
    if stands_in(name) is not None:
        return f"{name!r} is how a log calls the air around a vessel; use another name"
    return ""


def _channel(vessel: Vessel, quantity: Quantity, block: ChannelBlock) -> Channel:
    own = {f.name: getattr(block, f.name) for f in fields(ChannelBlock)}
    return Channel(vessel=vessel.name, quantity=quantity, air_pressure_bar=vessel.air_pressure_bar, **own)


def _about_channel(channel: Channel, sources: Collection[str] | None) -> list[tuple[str, str, str]]:
    """Return key, complaint and hint for each thing that is wrong with a channel."""
    found: list[tuple[str, str, str]] = []
    if channel.source and sources is not None and channel.source not in sources:
        hint = nearest(channel.source, sources) if sources else "describe it there"
        found.append(("source", f"{channel.source!r} does not stand under sources:", hint))
    where_in_payload = [
        key for key in ("pointer", "senml_name", "key", "column") if getattr(channel, key) is not None
    ]
    if len(where_in_payload) > 1:
        found.append((where_in_payload[1], f"and {where_in_payload[0]} exclude each other", "keep one"))
    if channel.pointer not in (None, "") and not str(channel.pointer).startswith("/"):
        found.append(("pointer", f"{channel.pointer!r} must start with /", "as in /sensor/value (RFC 6901)"))
    if channel.column is not None and channel.column < 1:
        found.append(("column", f"{channel.column} must be at least 1", "columns count from 1"))
    if channel.unit or (channel.source and channel.senml_name is None):  # SenML names its units itself
        try:
            conversion(channel.quantity, channel.unit)
        except DataError as error:
            found.append(("unit", f"{channel.unit!r} {error.detail}", error.hint))
    return found


def _composed(
    everywhere: DetectorKeys, block: VesselBlock, at: Location, text: ConfigText, problems: list[str]
) -> Mapping[str, object]:
    merged: dict[str, dict[str, Any]] = {name: dict(keys) for name, keys in everywhere.items()}
    for name, keys in block.detectors.items():
        merged.setdefault(name, {}).update(keys)
    try:
        return compose(merged)
    except ValueError as error:
        own = (*at, "detectors")
        sentence = str(
            ConfigError(text.where(own if block.detectors else ("detectors",)), f"detectors: {error}")
        )
        if sentence not in problems:  # a key for every vessel is wrong once, not once a vessel
            problems.append(sentence)
        return {}
