"""The highest beer temperature of the last three days, half hour by half hour."""

import math
from collections import deque
from dataclasses import dataclass, field

HALF_HOURS = 144


@dataclass(slots=True)
class Warmest:
    """Keeps one value for each half hour, and the highest of them."""

    _halves: deque[tuple[int, float]] = field(default_factory=lambda: deque(maxlen=HALF_HOURS))
    celsius: float = math.nan
    """The highest, °C; NaN before the first."""

    def take(self, time_s: float, celsius: float) -> None:
        """Take a frame's temperature."""
        half = int(time_s // 1800)
        leaves_c = -math.inf
        if self._halves and self._halves[-1][0] == half:
            self._halves[-1] = (half, max(self._halves[-1][1], celsius))
        else:
            if len(self._halves) == HALF_HOURS:
                leaves_c = self._halves[0][1]
            self._halves.append((half, celsius))
        if leaves_c >= self.celsius:
            self.celsius = max(held_c for _, held_c in self._halves)
        elif not celsius <= self.celsius:  # also before the first
            self.celsius = celsius
