"""The highest beer temperature of the last three days, hour by hour."""

import math
from collections import deque
from dataclasses import dataclass, field

HOURS = 72


@dataclass(slots=True)
class Warmest:
    """Keeps one value an hour."""

    _hours: deque[tuple[int, float]] = field(default_factory=lambda: deque(maxlen=HOURS))

    def take(self, time_s: float, celsius: float) -> None:
        """Take a frame's temperature."""
        hour = int(time_s // 3600)
        if self._hours and self._hours[-1][0] == hour:
            self._hours[-1] = (hour, max(self._hours[-1][1], celsius))
        else:
            self._hours.append((hour, celsius))

    @property
    def celsius(self) -> float:
        """The highest of them, °C; NaN before the first."""
        return max((celsius for _, celsius in self._hours), default=math.nan)
