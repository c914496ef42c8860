"""A chill that nobody announced: beer that has slowed down and gets colder than yeast and plan mean it to have.

Fridges run away, too, and beer loses what its own warmth had added once the yeast slows. So it takes a drop against the warmest of
three days, and a temperature that nobody would ferment at.
"""

import math

from ullage.detectors.record import Record
from ullage.detectors.stage import Stage, current
from ullage.detectors.warmest import Warmest

DROP_K = 3.0
OUT_OF_RANGE_K = 0.5
"""A beer that has slowed down, so much colder than it was and below what yeast and plan mean it to have, is being chilled,
whether or not anybody said so: within the range it only loses what its own warmth had added."""
UNTOLD_DROP_K = 5.0
UNTOLD_C = 8.0
"""The same where nobody knows the range, or where it had not slowed down while it was warm: then it must be colder, too,
than a fridge that has run away makes it, and two kelvin below the range."""
NO_CHILL_K = 1.5
"""So near to where it came from, a beer was not chilled after all."""


class UntoldChill:
    """Follows how warm the beer has been; says when it is being chilled, and when it was not after all."""

    def __init__(self) -> None:
        self._warmest = Warmest()
        self._warm_s = -math.inf
        """When the beer was last as warm as it had been."""
        self._came_from_c = math.inf
        """Where the chill began."""

    def take(self, time_s: float, beer_c: float) -> None:
        """Take a frame's beer temperature."""
        self._warmest.take(time_s, beer_c)

    def evidence(self, record: Record, now_s: float, cold_c: float) -> str | None:
        """Return what shows that the beer is being chilled, or None; `cold_c` is what counts as cold."""
        beer_c, warm_c = record.thermometer.beer_c, self._warmest.celsius
        if beer_c > warm_c - NO_CHILL_K:
            self._warm_s = now_s
        low_c = record.coldest_meant_c(now_s)
        drop_k, colder_c = self._asked(record, low_c)
        if beer_c <= min(warm_c - drop_k, colder_c):
            self._came_from_c = warm_c
            return f"the beer is at {beer_c:.1f} °C, down from {warm_c:.1f} °C"
        if record.activity_s is None or (low_c is not None and low_c - 2 < cold_c):
            return None
        return f"the beer is at {beer_c:.1f} °C" if beer_c <= cold_c else None

    def undone(self, beer_c: float) -> bool:
        """Tell whether the beer is back where it came from."""
        return beer_c >= self._came_from_c - NO_CHILL_K

    def _asked(self, record: Record, low_c: float | None) -> tuple[float, float]:
        """Return by how much the beer must have cooled (K), and to what (°C), to be called chilled."""
        now = current(record.stages)
        early = now is None or now.stage.place < Stage.SLOWING.place or now.since_s > self._warm_s
        if low_c is None:
            return UNTOLD_DROP_K, UNTOLD_C if early else math.inf
        if early:
            return UNTOLD_DROP_K, min(UNTOLD_C, low_c - 2)
        return DROP_K, low_c - OUT_OF_RANGE_K
