"""The two clocks that a source is given; whoever builds it puts real ones in, a test puts its own."""

from typing import Protocol, runtime_checkable


class Clock(Protocol):
    """Wall time for stamps, monotonic time for delays; they must not be mixed, the wall clock may step."""

    def wall_s(self) -> float:
        """Return Unix seconds, UTC."""
        ...

    def monotonic_s(self) -> float:
        """Return seconds since some fixed moment; never steps."""
        ...


@runtime_checkable
class MayBeUnset(Protocol):
    """A clock that can say that its machine does not know the time yet, though it goes on from some other record."""

    def set_right(self) -> bool:
        """Tell whether the machine's clock has been set."""
        ...


def judging_s(clock: Clock) -> float:
    """Return the time by which time stamps of others are judged: 0 while nobody here knows it."""
    if isinstance(clock, MayBeUnset) and not clock.set_right():
        return 0.0
    return clock.wall_s()
