"""A thread that does one small thing over and over, by monotonic time, and outlives whatever that thing does."""

import logging
import threading
from collections.abc import Callable

from ullage.daemon.clock import Clock
from ullage.daemon.health import Heartbeat, LoopHealth

log = logging.getLogger(__name__)


class Ticker:
    """Calls `action` every `every_s` seconds until stopped.

    Parameters
    ----------
    name
        What it does, in a word or two.
    every_s
        Pause between the end of one call and the start of the next.
    action
        What to do. A failure is logged once until it changes, and counted.
    """

    def __init__(self, name: str, every_s: float, action: Callable[[], object], clock: Clock) -> None:
        self.name = name
        self.failures = 0
        self._every_s = every_s
        self._action = action
        self._last_error = ""
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._heartbeat = Heartbeat(name, clock, longest_turn_s=every_s + 60.0)

    def start(self) -> None:
        """Start the thread."""
        self._stopping.clear()
        self._thread = threading.Thread(target=self._run, name=self.name, daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 5.0) -> None:
        """End the thread and wait for it."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout_s)

    def loop_health(self) -> LoopHealth:
        """Tell whether the thread goes round; one that was ended on purpose is not missed."""
        if self._thread is None or not self._thread.is_alive():
            meant = self._stopping.is_set()
            return LoopHealth(name=self.name, healthy=False, alive=meant, detail="the thread does not run")
        return self._heartbeat.health()

    def _run(self) -> None:
        while not self._stopping.wait(self._every_s):
            self._heartbeat.beat()
            try:
                self._action()
            except Exception as error:  # noqa: BLE001 - the next turn may do better
                self.failures += 1
                said = f"{type(error).__name__}: {error}"
                if said != self._last_error:
                    self._last_error = said
                    log.error("periodic work failed", extra={"work": self.name, "error": said})
            else:
                self._last_error = ""
