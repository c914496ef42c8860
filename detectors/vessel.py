"""What a detector must know of the vessel it watches."""

from dataclasses import dataclass, replace
from enum import StrEnum

from ullage.detectors.batch import Batch
from ullage.detectors.samples import Kind

STANDARD_AIR_BAR = 1.01325
"""ISO 2533 standard atmosphere at sea level."""


class Probe(StrEnum):
    """Where the temperature probe sits."""

    BEER = "beer"
    AIR = "air"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Vessel:
    """A vessel as its owner describes it.

    Raises
    ------
    ValueError
        If the numbers contradict each other; the sentence names the field, value and limit.
    """

    name: str
    total_volume_l: float
    beer_volume_l: float
    rated_pressure_bar: float
    valve_pressure_bar: float | None = None
    yeast_temperature_c: tuple[float, float] | None = None
    original_gravity: float | None = None
    air_pressure_bar: float = STANDARD_AIR_BAR
    probe: Probe = Probe.UNKNOWN
    sensors: frozenset[Kind] = frozenset()
    """What is expected to speak even if it never has; empty in replay, where a log holds what it holds."""
    batch: Batch | None = None
    """What is wanted of the batch in it, as far as that is known."""

    def __post_init__(self) -> None:
        if not 0 < self.beer_volume_l < self.total_volume_l:
            raise ValueError(
                f"beer_volume_l {self.beer_volume_l:g} L must be above 0 and below total_volume_l "
                f"{self.total_volume_l:g} L: the head space needs room"
            )
        if not 0 < self.rated_pressure_bar <= 50:
            raise ValueError(
                f"rated_pressure_bar {self.rated_pressure_bar:g} bar must be above 0 and at most 50"
            )
        if self.valve_pressure_bar is not None and not 0 < self.valve_pressure_bar < self.rated_pressure_bar:
            raise ValueError(
                f"valve_pressure_bar {self.valve_pressure_bar:g} bar must be above 0 and below "
                f"rated_pressure_bar {self.rated_pressure_bar:g} bar"
            )
        if self.yeast_temperature_c is not None:
            low, high = self.yeast_temperature_c
            if not -5 <= low < high <= 45:
                raise ValueError(
                    f"yeast_temperature_c [{low:g}, {high:g}] must run from low to high within -5 to 45 °C"
                )
        if self.original_gravity is not None and not 1.0 < self.original_gravity < 1.2:
            raise ValueError(f"original_gravity {self.original_gravity:g} must lie between 1.000 and 1.200")
        if not 0.5 <= self.air_pressure_bar <= 1.1:
            raise ValueError(f"air_pressure_bar {self.air_pressure_bar:g} bar must lie between 0.5 and 1.1")

    def carrying(self, batch: Batch | None) -> "Vessel":
        """Return the vessel with this batch in it: the batch's yeast range and original gravity win."""
        if batch is None:
            return replace(self, batch=None)
        return replace(
            self,
            batch=batch,
            yeast_temperature_c=batch.yeast_temperature_c or self.yeast_temperature_c,
            original_gravity=batch.original_gravity or self.original_gravity,
        )

    @property
    def head_space_l(self) -> float:
        """Volume of gas above the beer, in litres: the ullage."""
        return self.total_volume_l - self.beer_volume_l
