"""A channel says which value of which payload belongs to which vessel, in what unit."""

from dataclasses import dataclass
from enum import StrEnum

from ullage.adapters.reading import Quantity


class Reference(StrEnum):
    """What a pressure is counted from: declared by the user, never guessed."""

    GAUGE = "gauge"
    ABSOLUTE = "absolute"


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """Where one quantity of one vessel is found in what a source sends.

    A payload is a bare number unless `pointer` (RFC 6901), `senml_name` (RFC 8428), `key` (key=value line) or
    `column` (delimited line, counted from 1) says otherwise.
    """

    vessel: str
    quantity: Quantity
    unit: str
    """UCUM or SenML code as declared in the config: Cel, [degF], K, bar, mbar, kPa, Pa, hPa, [psi]; empty for SG."""
    source: str = ""
    topic: str = ""
    """MQTT topic filter; + and # allowed."""
    pointer: str | None = None
    senml_name: str | None = None
    key: str | None = None
    column: int | None = None
    time_pointer: str | None = None
    """Where a JSON payload carries its own time (RFC 3339 text or Unix seconds)."""
    reference: Reference = Reference.GAUGE
    air_pressure_bar: float = 1.01325
    """Subtracted from an absolute pressure."""
    scale: float = 1.0
    """Multiplies the raw number before the unit is applied."""
    offset: float = 0.0
    """Added after `scale`, in the declared unit: a calibration."""
