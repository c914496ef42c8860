"""The highest beer temperature of the last three days, half hour by half hour."""

import math
from collections import deque
from dataclasses import dataclass, field

HALF_HOURS = 144


@dataclass(slots=True)
class Warmest:
    """Keeps one value for each half hour."""

    _halves: deque[tuple[int, float]] = field(default_factory=lambda: deque(maxlen=HALF_HOURS))

    def take(self, time_s: float, celsius: float) -> None:
        """Take a frame's temperature."""
        half = int(time_s // 1800)
        if self._halves and self._halves[-1][0] == half:
            self._halves[-1] = (half, max(self._halves[-1][1], celsius))
        else:
            self._halves.append((half, celsius))

    @property
    def celsius(self) -> float:
        """The highest of them, °C; NaN before the first."""
        return max((celsius for _, celsius in self._halves), default=math.nan)
