"""One configured source as several connections: one for each part of the vessels that this daemon holds.

A part's session on the broker goes by the part's name, not by the daemon's. Whoever takes a part over opens the very same
session: the broker throws the old holder off it, hands over what it had not got an acknowledgement for, and then what
has come since.
"""

import logging
import math
import threading
from collections.abc import Callable, Collection
from dataclasses import replace
from functools import partial

from ullage.adapters.clock import Clock
from ullage.adapters.reading import Delivery
from ullage.adapters.source import Source

log = logging.getLogger(__name__)

LOOK_S = 1.0
CLOSE_S = 8.0
"""How long closing a part may take."""

MakeSource = Callable[[int, Collection[str]], Source | None]
"""Makes the source of one part from its number and its vessels; None if none of them is read there."""


class PartedSource(Source):
    """The connections of all parts held, as one source.

    Parameters
    ----------
    name
        The key under `sources:` in the config.
    make
        Makes a part's connection.
    permitted
        Whether a part's connection may be opened. It is given for how many seconds it has been down since the broker hung
        up, which it also does when another opens the same session; infinite if the broker was not reached last.
    clock
        For these seconds.
    """

    kind = "parted"

    def __init__(self, name: str, make: MakeSource, permitted: Callable[[float], bool], clock: Clock) -> None:
        super().__init__(name)
        self._make = make
        self._may_open = permitted
        self._clock = clock
        self._hung_up_s: dict[int, float] = {}
        self._changed = threading.Condition()
        self._wanted: dict[int, frozenset[str]] = {}
        self._open: dict[int, Source] = {}
        self._detail = "no vessel is held yet"
        self._connected = True

    def open(self, number: int, vessels: Collection[str]) -> None:
        """Connect for a part, and stay connected until it is closed."""
        with self._changed:
            self._wanted = {**self._wanted, number: frozenset(vessels)}
            self._changed.notify_all()

    def close(self, number: int) -> None:
        """Leave a part's session and wait until its last message has been handed over."""
        with self._changed:
            self._wanted = {n: vessels for n, vessels in self._wanted.items() if n != number}
            self._changed.notify_all()
            self._changed.wait_for(lambda: number not in self._open, CLOSE_S)

    def _run(self) -> None:
        try:
            while not self._stopping.is_set():
                self._follow()
                self._tell()
                with self._changed:
                    if not self._stopping.is_set() and self._open.keys() == self._wanted.keys():
                        self._changed.wait(LOOK_S)
        finally:
            self._end(tuple(self._open))

    def _interrupt(self) -> None:
        with self._changed:
            self._changed.notify_all()

    def _follow(self) -> None:
        wanted = self._wanted
        self._end([number for number in self._open if number not in wanted])
        for number, vessels in wanted.items():
            source = self._open.get(number)
            if source is None:
                self._begin(number, vessels)
            elif not source.alive():
                log.error(
                    "a part's thread has died, starting it again", extra={"source": self.name, "part": number}
                )
                source.start(self._taker(number))

    def _begin(self, number: int, vessels: Collection[str]) -> None:
        source = self._make(number, vessels)
        if source is None:
            source = _Nothing(self.name)
        else:
            source.permitted = partial(self._permitted, number, source)
        source.start(self._taker(number))
        with self._changed:
            self._open = {**self._open, number: source}

    def _permitted(self, number: int, source: Source) -> bool:
        now_s = self._clock.monotonic_s()
        since_s = self._hung_up_s.setdefault(number, now_s) if source.got_through else -math.inf
        allowed = self._may_open(now_s - since_s)
        if allowed:
            self._hung_up_s.pop(number, None)
        return allowed

    def _taker(self, number: int) -> Callable[[Delivery], None]:
        """Return what takes a part's deliveries: each says which session it came by."""

        def take(delivery: Delivery) -> None:
            self._hand_over(replace(delivery, source=f"{self.name}/{number}"))

        return take

    def _end(self, numbers: Collection[int]) -> None:
        """Stop connections all at once: each waits a moment for its acknowledgements."""
        ending = [threading.Thread(target=self._open[number].stop, daemon=True) for number in numbers]
        for thread in ending:
            thread.start()
        for thread in ending:
            thread.join(CLOSE_S)
        with self._changed:
            self._open = {number: source for number, source in self._open.items() if number not in numbers}
            self._changed.notify_all()

    def _tell(self) -> None:
        healths = [source.health() for source in self._open.values()]
        away = [health for health in healths if not health.connected]
        self._connected = not away
        if away:
            self._detail = f"{len(away)} of {len(healths)} sessions are away: {away[0].detail}"
        else:
            self._detail = f"{len(healths)} sessions" if healths else "no vessel is held yet"


class _Nothing(Source):
    """Stands for a part none of whose vessels is read here."""

    kind = "nothing"

    def _run(self) -> None:
        self._connected = True
        self._stopping.wait()
