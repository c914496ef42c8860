"""The two clocks that a source is given; whoever builds it puts real ones in, a test puts its own."""

from typing import Protocol


class Clock(Protocol):
    """Wall time for stamps, monotonic time for delays; they must not be mixed, the wall clock may step."""

    def wall_s(self) -> float:
        """Return Unix seconds, UTC."""
        ...

    def monotonic_s(self) -> float:
        """Return seconds since some fixed moment; never steps."""
        ...
