"""Whether each loop of the daemon goes round: counters that the loops move and the watchdog reads."""

from collections.abc import Callable
from dataclasses import dataclass

from ullage.daemon.clock import Clock


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopHealth:
    """How one loop is doing now."""

    name: str
    healthy: bool
    detail: str
    """Plain words: what is wrong, or how long since its last turn."""
    alive: bool = True
    """Whether its thread runs; without one it can't recover."""


class Heartbeat:
    """Moved by a loop at each of its turns; a loop that waits for work wakes at least each `longest_turn_s`.

    Parameters
    ----------
    name
        What the loop does, in a word: detectors, writer.
    longest_turn_s
        The longest that one turn may take, its idle wait included; beyond it the loop counts as stuck.
    """

    def __init__(self, name: str, clock: Clock, longest_turn_s: float) -> None:
        self.name = name
        self.turns = 0
        self._clock = clock
        self._longest_turn_s = longest_turn_s
        self._last_s = clock.monotonic_s()

    def beat(self) -> None:
        """Count one turn."""
        self.turns += 1
        self._last_s = self._clock.monotonic_s()

    def health(self) -> LoopHealth:
        """Tell whether the last turn is recent enough."""
        age_s = self._clock.monotonic_s() - self._last_s
        healthy = age_s <= self._longest_turn_s
        detail = f"last turn {age_s:.0f} s ago"
        if not healthy:
            detail += f", should be at most {self._longest_turn_s:.0f} s"
        return LoopHealth(name=self.name, healthy=healthy, detail=detail)


class Health:
    """All loops together. A loop joins with a function that tells how it is doing."""

    def __init__(self) -> None:
        self._loops: list[Callable[[], LoopHealth]] = []

    def watch(self, loop: Callable[[], LoopHealth]) -> None:
        """Add a loop, once it runs."""
        self._loops = [*self._loops, loop]

    def forget(self, loop: Callable[[], LoopHealth]) -> None:
        """Take a loop out, before it is ended on purpose."""
        self._loops = [each for each in self._loops if each != loop]

    def loops(self) -> tuple[LoopHealth, ...]:
        """Ask every loop. One that fails to answer is unhealthy."""
        return tuple(_ask(loop) for loop in self._loops)

    def dead(self) -> tuple[str, ...]:
        """Return the names of loops whose thread has ended."""
        return tuple(loop.name for loop in self.loops() if not loop.alive)

    def healthy(self) -> bool:
        """Tell whether every loop goes round."""
        return all(loop.healthy for loop in self.loops())


def _ask(loop: Callable[[], LoopHealth]) -> LoopHealth:
    try:
        return loop()
    except Exception as error:  # noqa: BLE001 - the watchdog must outlive what it watches
        return LoopHealth(name="unknown", healthy=False, detail=f"does not answer: {error}")
