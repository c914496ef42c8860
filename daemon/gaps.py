"""Notices readings that are missing: a jump in a sensor's own times that is far longer than its usual interval.

A broker that has no more room for a session that is away drops what comes, and says so to nobody. All that can be seen
afterwards is that the next reading is much younger than the last. Nothing is concluded from it but that; a sensor that is
silent now is an alarm of its own.
"""

from collections import deque

from ullage.adapters.reading import Quantity, Reading

GAP_S = 300.0
"""Shortest gap that counts: a network is away for a minute now and then."""
TIMES_USUAL = 10
"""A gap is longer than so many of the sensor's usual intervals."""
BELIEVED = 3
"""Intervals from which it is known what is usual."""
REMEMBERED = 9


class _Times:
    __slots__ = ("intervals_s", "newest_s")

    def __init__(self, first_s: float) -> None:
        self.newest_s = first_s
        self.intervals_s: deque[float] = deque(maxlen=REMEMBERED)


class Gaps:
    """Looks at the times of readings in the order of arrival; those that come late change nothing."""

    def __init__(self) -> None:
        self._times: dict[tuple[str, Quantity], _Times] = {}

    def after(self, reading: Reading) -> float:
        """Take a reading; return the length in seconds of the gap that ends with it, 0 if there is none."""
        channel = (reading.vessel, reading.quantity)
        times = self._times.get(channel)
        if times is None:
            self._times[channel] = _Times(reading.time_s)
            return 0.0
        interval_s = reading.time_s - times.newest_s
        if interval_s <= 0:
            return 0.0
        gap = interval_s > GAP_S and self._is_unusual(interval_s, times)
        times.newest_s = reading.time_s
        times.intervals_s.append(interval_s)
        return interval_s if gap else 0.0

    def forget(self) -> None:
        """Begin anew: the clock that stamps readings was set."""
        self._times.clear()

    @staticmethod
    def _is_unusual(interval_s: float, times: _Times) -> bool:
        known = sorted(times.intervals_s)
        return len(known) >= BELIEVED and interval_s > TIMES_USUAL * known[len(known) // 2]
