"""What every source of readings is: a named thread that hands over deliveries, heals itself and tells its health."""

import logging
import random
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from typing import final

from ullage.adapters.reading import Delivery

log = logging.getLogger(__name__)

PERMIT_S = 0.5
"""How soon a source asks again whether it may be opened."""

Deliver = Callable[[Delivery], None]
"""Takes one delivery; may block while the pipeline's queue is full (back-pressure)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceHealth:
    """How a source is doing, for `status`, `check` and the watchdog."""

    name: str
    kind: str
    connected: bool
    detail: str
    """One plain sentence: connected to what, or why not and when the next try comes."""
    deliveries: int
    restarts: int


class Source(ABC):
    """A source runs `_run` in a thread of its own and starts it again, with growing pauses, when it fails.

    A new source writes `_run` alone (and `_interrupt` if it must be woken to stop).

    Parameters
    ----------
    name
        The key under `sources:` in the config.
    first_pause_s, longest_pause_s
        Back-off between restarts, doubled each time, with full jitter.
    """

    kind = "source"

    def __init__(self, name: str, *, first_pause_s: float = 1.0, longest_pause_s: float = 60.0) -> None:
        self.name = name
        self._first_pause_s = first_pause_s
        self._longest_pause_s = longest_pause_s
        self.permitted: Callable[[], bool] = lambda: True
        """Whether it may be opened now; asked before every try."""
        self.got_through = False
        """Whether the try that ended last, or goes on, had reached the other side."""
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._deliver: Deliver | None = None
        self._connected = False
        self._detail = "not started"
        self._deliveries = 0
        self._restarts = 0
        self.turns = 0
        """Moved by a source that lives at each round of its loop; 0 for one that keeps no such count."""

    @final
    def start(self, deliver: Deliver) -> None:
        """Start the thread; every delivery from now on goes to `deliver`."""
        self._deliver = deliver
        self._stopping.clear()
        self._thread = threading.Thread(target=self._supervise, name=f"source-{self.name}", daemon=True)
        self._thread.start()

    @final
    def stop(self, timeout_s: float = 5.0) -> None:
        """Ask the thread to end and wait for it."""
        self._stopping.set()
        self._interrupt()
        if self._thread is not None:
            self._thread.join(timeout_s)

    @final
    def alive(self) -> bool:
        """Tell whether the thread runs."""
        return self._thread is not None and self._thread.is_alive()

    @final
    def health(self) -> SourceHealth:
        """Tell how the source is doing now."""
        return SourceHealth(
            name=self.name,
            kind=self.kind,
            connected=self._connected,
            detail=self._detail,
            deliveries=self._deliveries,
            restarts=self._restarts,
        )

    @final
    def _hand_over(self, delivery: Delivery) -> None:
        self._deliveries += 1
        if self._deliver is not None:
            self._deliver(delivery)

    @final
    def _turn(self) -> None:
        """Count a round: a source that calls this must do so again within a minute or two, or it counts as stuck."""
        self.turns += 1

    @final
    def _supervise(self) -> None:
        pause_s = self._first_pause_s
        while not self._stopping.is_set():
            if self.turns:
                self._turn()
            if not self.permitted():
                self._stopping.wait(PERMIT_S)
                continue
            before = self._deliveries
            self.got_through = False
            try:
                self._run()
            except Exception as error:  # noqa: BLE001 - a source must outlive anything that its device does
                self._connected = False
                changed = str(error) != self._detail
                self._detail = str(error) or type(error).__name__
                if changed:  # a repeating failure is logged once, until it changes
                    log.warning("source failed", extra={"source": self.name, "error": self._detail})
            if self._stopping.is_set():
                return
            if self._deliveries > before:
                pause_s = self._first_pause_s
            self._restarts += 1
            self._stopping.wait(random.uniform(0, pause_s))
            pause_s = min(self._longest_pause_s, pause_s * 2)

    @abstractmethod
    def _run(self) -> None:
        """Connect, read and hand over until `_stopping` is set; raise on failure."""

    def _interrupt(self) -> None:
        """Wake `_run` so that it sees `_stopping`; nothing to do for sources that poll it."""
        return
