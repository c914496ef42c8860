"""What time it is for a vessel, whatever happens to the wall clock."""

from ullage.adapters.reading import Quantity
from ullage.daemon.clock import Clock

REGULAR = frozenset({Quantity.TEMPERATURE, Quantity.PRESSURE})
"""Quantities that come by themselves; a gravity may come once a day."""
SETTLE_S = 900.0
"""After a start or a step of the wall clock: how long to wait for each sensor before silence may be told."""


class VesselTime:
    """What time it is for a vessel: the time of its newest reading plus what has passed since by monotonic clock.

    Silence is thus measured by what this daemon has waited, never by a wall clock that was set meanwhile. After a
    start and after each step of the wall clock time stands still (`now_s` gives None) until every regular sensor
    known was heard again, at most `SETTLE_S`: the gap is the daemon's own, and says nothing about the sensors.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._anchor: tuple[float, float, Quantity | None] = (clock.wall_s(), clock.monotonic_s(), None)
        self._counts = dict.fromkeys(REGULAR, 0)
        self._unheard: set[Quantity] = set()
        self._settled_by_s = 0.0

    def heard(self, quantity: Quantity, time_s: float) -> None:
        """Note a reading that is the newest of its quantity."""
        if quantity not in REGULAR:
            return
        monotonic_s = self._clock.monotonic_s()
        self._unheard.discard(quantity)
        self._counts[quantity] += 1
        # The sensor whose readings are furthest ahead sets the time, and may set it back when clocks are slewed.
        if quantity is self._anchor[2] or time_s >= self._at(monotonic_s):
            self._anchor = (time_s, monotonic_s, quantity)

    def unsettle(self, known: frozenset[Quantity]) -> None:
        """Hold the time until the `known` sensors are heard again; readings to come set it anew."""
        monotonic_s = self._clock.monotonic_s()
        self._unheard = set(known & REGULAR)
        self._settled_by_s = monotonic_s + SETTLE_S
        self._anchor = (float("-inf") if self._unheard else self._clock.wall_s(), monotonic_s, None)

    def now_s(self) -> float | None:
        """Return the vessel's time, None while it stands still."""
        monotonic_s = self._clock.monotonic_s()
        if self._unheard:
            if monotonic_s < self._settled_by_s:
                return None
            if self._anchor[2] is None:  # nothing came: by now that is worth telling, dated by the wall clock
                self._unheard.clear()
                self._anchor = (self._clock.wall_s(), monotonic_s, None)
        return self._at(monotonic_s)

    def awaits(self, quantity: Quantity) -> bool:
        """Tell whether `quantity` is yet to be heard after a start or a step, and its time to settle still runs."""
        return quantity in self._unheard and self._clock.monotonic_s() < self._settled_by_s

    def count(self, quantity: Quantity | None) -> int:
        """Return how many newest readings of `quantity` were heard, of all regular ones for None."""
        return sum(self._counts.values()) if quantity is None else self._counts.get(quantity, 0)

    def _at(self, monotonic_s: float) -> float:
        time_s, at_s, _ = self._anchor
        return time_s + monotonic_s - at_s
