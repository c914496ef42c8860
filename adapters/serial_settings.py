"""What a source of kind `serial` is told: which port, how its lines look, and whether the probe must be asked."""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialSettings:
    """One port. How a value stands in a line is told by the channel: bare, `key`, `column` or `pointer`."""

    __pydantic_config__ = {"extra": "forbid"}  # noqa: RUF012 - read by the daemon's validation, never written

    url: str
    """A device such as /dev/serial/by-id/..., which stays the same over replugs, or any URL that pyserial takes."""
    baud: int = 9600
    """Bits per second."""
    format: Literal["8N1", "7E1", "7O1", "8E1", "8O1", "8N2"] = "8N1"
    """Data bits, parity, stop bits."""
    line_end: str = "\n"
    """One character; a carriage return beside it is dropped."""
    line_limit_bytes: int = 256
    """A longer line is refused and everything up to the next line end dropped."""
    delimiter: str = ""
    """Of delimited columns; empty takes semicolon, tab or comma, whichever a line has, else white space."""
    checksum: Literal["auto", "required", "off"] = "auto"
    """`*HH` at the end of a line: the characters before it (less a leading $), combined by exclusive or, in hex.

    auto requires it from the first line on that has a right one.
    """
    poll_command: str = ""
    """Sent to a probe that answers only when asked; line ends must be written out, as in "R\\r\\n" in YAML."""
    poll_interval_s: float = 1.0
    first_pause_s: float = 0.5
    longest_pause_s: float = 15.0
    """Pauses between tries to open the port double from the first to the longest, each drawn at random below that."""

    def __post_init__(self) -> None:
        if not self.url:
            raise ValueError("url must not be empty")
        if self.baud <= 0:
            raise ValueError(f"baud {self.baud} must be above 0")
        if len(self.line_end) != 1 or not self.line_end.isascii():
            raise ValueError(f"line_end {self.line_end!r} must be one ASCII character")
        if not 8 <= self.line_limit_bytes <= 16_384:
            raise ValueError(f"line_limit_bytes {self.line_limit_bytes} must lie between 8 and 16384")
        if not self.poll_command.isascii():
            raise ValueError(f"poll_command {self.poll_command!r} must be ASCII")
        if not 0.05 <= self.poll_interval_s <= 3600:
            raise ValueError(f"poll_interval_s {self.poll_interval_s:g} must lie between 0.05 and 3600")
        if self.first_pause_s < 0 or self.longest_pause_s < self.first_pause_s:
            raise ValueError("longest_pause_s must not be below first_pause_s, nor that below 0")
