"""The blocks of the configuration that no other part owns: vessels, their channels, the page."""

from dataclasses import dataclass, field, fields
from typing import Any

from ullage.adapters.channel import Reference
from ullage.adapters.errors import DataError
from ullage.adapters.reading import Quantity
from ullage.adapters.timestamps import parse_rfc3339
from ullage.detectors.batch import Batch
from ullage.detectors.samples import Kind
from ullage.detectors.vessel import Vessel

DetectorKeys = dict[str, dict[str, Any]]
"""Detector name to key to value, as the user wrote them; `ullage.detectors.registry.compose` judges them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelBlock:
    """What stands under `temperature:`, `pressure:`, `gravity:` or `journal:` of a vessel.

    The keys are those of `ullage.adapters.channel.Channel`.
    """

    source: str = ""
    topic: str = ""
    pointer: str | None = None
    senml_name: str | None = None
    key: str | None = None
    column: int | None = None
    unit: str = ""
    time_pointer: str | None = None
    reference: Reference = Reference.GAUGE
    scale: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchBlock(Batch):
    """What stands under `batch:` of a vessel: the wishes of a batch, and when it began."""

    began: str = ""
    """RFC 3339, in quotes; the latest pitching in the journal, else the daemon's start, if left out."""

    def __post_init__(self) -> None:
        Batch.__post_init__(self)  # a slotted class is made twice, which `super()` does not survive
        if self.began:
            try:
                parse_rfc3339(self.began)
            except DataError as error:
                raise ValueError(f'began "{self.began}" {error.detail}; {error.hint}') from None

    @property
    def began_s(self) -> float | None:
        """Unix seconds of `began`."""
        return parse_rfc3339(self.began) if self.began else None

    def wishes(self) -> Batch:
        """Return the wishes alone."""
        return Batch(**{f.name: getattr(self, f.name) for f in fields(Batch)})


@dataclass(frozen=True, slots=True, kw_only=True)
class VesselBlock(Vessel):
    """What stands under one item of `vessels:`: the vessel's own fields, its channels, its detectors' keys."""

    temperature: ChannelBlock | None = None
    pressure: ChannelBlock | None = None
    gravity: ChannelBlock | None = None
    air_temperature: ChannelBlock | None = None
    journal: ChannelBlock | None = None
    batch: BatchBlock | None = None
    detectors: DetectorKeys = field(default_factory=dict)
    sensors: frozenset[Kind] = field(init=False, default=frozenset())
    """No key: it follows from the channels."""

    def channel_blocks(self) -> tuple[tuple[Quantity, ChannelBlock], ...]:
        """Return the channels that are there, each with what it measures."""
        found = ((quantity, getattr(self, quantity.value)) for quantity in Quantity)
        return tuple((quantity, block) for quantity, block in found if block is not None)
