"""One reading in canonical units, and what a source hands over in one go."""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from ullage.adapters.printable import printable


class Quantity(StrEnum):
    """What a channel measures; but for the last, the words of the log format."""

    TEMPERATURE = "temperature"
    PRESSURE = "pressure"
    GRAVITY = "gravity"
    JOURNAL = "journal"
    AIR_TEMPERATURE = "air_temperature"
    """Of the air that the vessel stands in; in a log the temperature of `north/air` (`log_air`)."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A value in canonical units: °C, bar gauge, specific gravity 20/20; a journal entry carries `text`."""

    vessel: str
    quantity: Quantity
    time_s: float
    """Unix seconds, UTC."""
    value: float
    text: str = ""


class Reason(StrEnum):
    """Why something was refused; counted, never silent."""

    UNDECODABLE = "undecodable"
    TOO_LONG = "too-long"
    NOT_A_NUMBER = "not-a-number"
    NO_SUCH_FIELD = "no-such-field"
    UNKNOWN_UNIT = "unknown-unit"
    BAD_TIME = "bad-time"
    UNKNOWN_TOPIC = "unknown-topic"
    OLD_NEWS = "old-news"
    QUEUE_FULL = "queue-full"


@dataclass(frozen=True, slots=True)
class Refusal:
    """A payload or line that gave no reading."""

    source: str
    where: str
    """Topic, port or file:line."""
    reason: Reason
    detail: str
    """One sentence naming field, value, unit and limit."""
    start: bytes = b""
    """The start of what came: at most `START_BYTES`."""

    @property
    def raw(self) -> str:
        """The same, printable: made when somebody looks, which in a flood is never."""
        return printable(self.start)


def _nothing() -> None:
    return


@dataclass(frozen=True, slots=True)
class Delivery:
    """What one message, line or file chunk held; `acknowledge` is called once it is judged and kept."""

    source: str
    readings: tuple[Reading, ...] = ()
    refusals: tuple[Refusal, ...] = ()
    acknowledge: Callable[[], None] = _nothing
    messages: int = 1
    """How many messages await that acknowledgement."""
