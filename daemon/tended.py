"""A part whose loops are watched over from its start to its stop."""

from collections.abc import Callable, Sequence

from ullage.daemon.health import Health, LoopHealth
from ullage.daemon.service import Part


class Tended:
    """Starts and stops a part, and tells the watch over all loops.

    Parameters
    ----------
    part
        What has the threads.
    loops
        How they are doing.
    health
        Who asks that.
    """

    def __init__(self, part: Part, loops: Sequence[Callable[[], LoopHealth]], health: Health) -> None:
        self._part = part
        self._loops = loops
        self._health = health

    def start(self) -> None:
        """Start it; from now on its loops have to go round."""
        self._part.start()
        for loop in self._loops:
            self._health.watch(loop)

    def stop(self) -> None:
        """Stop it; its loops may end."""
        for loop in self._loops:
            self._health.forget(loop)
        self._part.stop()
