"""Ends that were set by the wall clock, waited for by the monotonic one: a clock that is set makes none of them late."""

from collections.abc import Hashable, Mapping
from typing import Generic, TypeVar

from ullage.daemon.clock import Clock

Key = TypeVar("Key", bound=Hashable)


class Countdowns(Generic[Key]):
    """Counts down to the ends of what stands; each end is looked at by the wall clock once, when it is first named."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._due_s: dict[Key, float] = {}
        """When each has come, by the monotonic clock."""

    def ended(self, standing: Mapping[Key, tuple[float, float]]) -> list[Key]:
        """Return which of these have come to their end, and forget what is no longer among them.

        Parameters
        ----------
        standing
            To its end (Unix seconds) and the longest that it may take from now (s): the wall clock may be wrong.
        """
        wall_s, monotonic_s = self._clock.wall_s(), self._clock.monotonic_s()
        self._due_s = {
            key: self._due_s.get(key, monotonic_s + min(max(until_s - wall_s, 0.0), longest_s))
            for key, (until_s, longest_s) in standing.items()
        }
        return [key for key, due_s in self._due_s.items() if monotonic_s >= due_s]
