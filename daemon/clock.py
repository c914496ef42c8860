"""Where time comes from: wall time for stamps, monotonic time for delays and back-off; both can be put in by hand."""

import threading
import time
from typing import Protocol


class Clock(Protocol):
    """Two clocks that must not be mixed: the wall clock may step, the monotonic one never does."""

    def wall_s(self) -> float:
        """Return Unix seconds, UTC. May jump when the machine learns the time."""
        ...

    def monotonic_s(self) -> float:
        """Return seconds since some fixed moment. Never runs backwards and never steps."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def wall_s(self) -> float:
        """Return Unix seconds, UTC."""
        return time.time()

    def monotonic_s(self) -> float:
        """Return seconds since some fixed moment."""
        return time.monotonic()


class ManualClock:
    """Stands still until it is moved. Safe to read from other threads than the one that moves it.

    Parameters
    ----------
    wall_s
        Unix seconds to start at.
    monotonic_s
        Seconds on the monotonic clock to start at.
    """

    def __init__(self, wall_s: float = 1_700_000_000.0, monotonic_s: float = 1_000.0) -> None:
        self._lock = threading.Lock()
        self._wall_s = wall_s
        self._monotonic_s = monotonic_s

    def wall_s(self) -> float:
        """Return Unix seconds, UTC."""
        with self._lock:
            return self._wall_s

    def monotonic_s(self) -> float:
        """Return seconds since some fixed moment."""
        with self._lock:
            return self._monotonic_s

    def advance(self, seconds: float) -> None:
        """Let `seconds` pass on both clocks.

        Raises
        ------
        ValueError
            If `seconds` is negative: a wall clock that goes back is a `step`.
        """
        if seconds < 0:
            raise ValueError(
                f"seconds {seconds:g} must not be negative; use step for a wall clock that goes back"
            )
        with self._lock:
            self._wall_s += seconds
            self._monotonic_s += seconds

    def advance_to(self, wall_s: float) -> None:
        """Let time pass until the wall clock shows `wall_s`; nothing happens if it is past that."""
        self.advance(max(0.0, wall_s - self.wall_s()))

    def step(self, seconds: float) -> None:
        """Set the wall clock forward or back by `seconds`; no time passes."""
        with self._lock:
            self._wall_s += seconds
