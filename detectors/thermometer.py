"""A beer temperature out of what the probe says, wherever it sits.

Undeclared, a probe is told by its swings: a fridge drives its air up and down by kelvins within the hour or two, while the
litres of a vessel follow by a twentieth to a fifth of that. How far the reading strays from a straight line through two
hours shows the swing; a chill or a warm rest, which take beer through many kelvins, hardly bend in so short a time.
"""

import math
from collections import deque
from dataclasses import dataclass, field

from ullage.detectors.vessel import Probe

BEER_LAG_H = 6.0
"""Lag of beer behind fridge air, h: 20 L by still convection (4 to 12 h by standard correlations)."""
AIR_SWING_K, BEER_SWING_K = 1.3, 1.1
"""Mean swing, peak to peak, above which a probe is taken to be in air, and below which in beer again. Beer that a fridge is
ruled by swings by its differential and by how far the cold air runs on: 0.5 to 1.2 K in ten to fifty litres with the half
kelvin either way that is common practice; air that a fridge is ruled by, by 1.4 K and more."""
MOST_SWING_K = 2.0
"""One swing counts for no more: a chill begins with a sharp bend, in beer too."""
WINDOW_S, LEAST_SPAN_S = 7200.0, 5700.0
"""The stretch over which a swing is taken, and the least of it that must have been seen: most fridges come round within it."""
LEAST_READINGS = 5
MEMORY_H, FIRST_H = 8.0, 3.0
"""Hours over which swings are averaged, and how many of them it takes to tell."""
MOST_GAP_H, FORGOTTEN_H = 1.0, 24.0
"""A gap beyond which no swing is seen, and one beyond which the beer is where the probe says."""


@dataclass(slots=True)
class Thermometer:
    """Takes a probe's value once a frame; keeps two hours of them."""

    probe: Probe
    last_s: float = -math.inf
    slow_c: float = math.nan
    beer_c: float = math.nan
    swing_k: float = 0.0
    seems_in_air: bool = False
    _seen_h: float = 0.0
    _lately: deque[tuple[float, float]] = field(default_factory=deque)

    def take(self, time_s: float, celsius: float) -> float:
        """Return the beer temperature."""
        if math.isnan(celsius):
            return self.beer_c
        gap_h = (time_s - self.last_s) / 3600
        self.last_s = time_s
        if math.isnan(self.slow_c) or gap_h > FORGOTTEN_H:
            self.slow_c = celsius
        else:
            self.slow_c += (celsius - self.slow_c) * -math.expm1(-gap_h / BEER_LAG_H)
        self._lately.append((time_s, celsius))
        while time_s - self._lately[0][0] > WINDOW_S:
            self._lately.popleft()
        self._note_swing(gap_h)
        self.beer_c = self.slow_c if self.in_air else celsius
        return self.beer_c

    @property
    def in_air(self) -> bool:
        """Tell whether the probe sits in air: declared, or seen from its quick swings."""
        return self.probe is Probe.AIR or (self.probe is Probe.UNKNOWN and self.seems_in_air)

    def _note_swing(self, gap_h: float) -> None:
        lately = self._lately
        if gap_h > MOST_GAP_H or len(lately) < LEAST_READINGS or lately[-1][0] - lately[0][0] < LEAST_SPAN_S:
            return
        self._seen_h = min(self._seen_h + gap_h, MEMORY_H)
        swing_k = min(_about_its_line(lately), MOST_SWING_K)
        self.swing_k += (swing_k - self.swing_k) * gap_h / self._seen_h
        if self._seen_h >= FIRST_H - 1e-6:
            self.seems_in_air = self.swing_k > (BEER_SWING_K if self.seems_in_air else AIR_SWING_K)


def _about_its_line(points: deque[tuple[float, float]]) -> float:
    """Return from how far below to how far above its straight line a reading goes, K."""
    times_s, readings_c = [time_s for time_s, _ in points], [celsius for _, celsius in points]
    mean_s, mean_c = sum(times_s) / len(points), sum(readings_c) / len(points)
    from_s = [time_s - mean_s for time_s in times_s]
    from_c = [celsius - mean_c for celsius in readings_c]
    spread = sum([apart_s**2 for apart_s in from_s])
    slope = sum([apart_s * apart_c for apart_s, apart_c in zip(from_s, from_c, strict=True)]) / spread
    rest = [celsius - slope * apart_s for celsius, apart_s in zip(readings_c, from_s, strict=True)]
    return max(rest) - min(rest)
