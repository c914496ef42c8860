"""Plays recorded or simulated time at a multiple of real time."""

import math

from ullage.adapters.clock import Clock

LONGEST_BACKLOG_S = 1.0
"""Real seconds: whoever falls further behind goes on from where he is instead of hurrying after."""


class Pacer:
    """Tells how far played time has come.

    Parameters
    ----------
    clock
        Its monotonic side sets the pace.
    speed
        Played seconds for each real one; 0 plays as fast as it goes.
    start_s
        Where played time begins.
    """

    def __init__(self, clock: Clock, speed: float, start_s: float) -> None:
        self._clock = clock
        self._speed = speed
        self._real_s = clock.monotonic_s()
        self._played_s = start_s

    def due_s(self, reached_s: float) -> float:
        """Return the played time that is due now.

        Parameters
        ----------
        reached_s
            The played time that has been handed over so far.
        """
        if self._speed == 0:
            return math.inf
        now_s = self._clock.monotonic_s()
        due_s = self._played_s + (now_s - self._real_s) * self._speed
        if due_s - reached_s > LONGEST_BACKLOG_S * self._speed:
            due_s = reached_s + LONGEST_BACKLOG_S * self._speed
            self._real_s, self._played_s = now_s, due_s
        return due_s

    def pause_s(self, next_s: float) -> float:
        """Return how many real seconds remain until a played time is due; 0 if it is."""
        if self._speed == 0:
            return 0.0
        due_s = self._played_s + (self._clock.monotonic_s() - self._real_s) * self._speed
        return max(0.0, (next_s - due_s) / self._speed)
