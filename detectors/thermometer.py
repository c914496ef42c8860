"""The beer's temperature, from what a probe says that may sit in beer or in the fridge's air."""

import math
from dataclasses import dataclass

from ullage.detectors.vessel import Probe

BEER_LAG_H = 6.0
"""Lag of beer behind fridge air, h: 20 L by still convection (4 to 12 h by standard correlations)."""
AIR_SWING_C, BEER_SWING_C = 0.5, 0.35
"""Mean |second difference| over half hours above which a probe is taken to be in air, and below which in beer again: a big
vessel swings by hundredths of a kelvin, ten litres that a fridge is ruled by up to 0.4 K."""
MOST_BEND_C = 1.5
"""One bend counts for no more: a chill begins with a sharp one, in beer too."""


@dataclass(slots=True)
class Thermometer:
    """Makes a beer temperature out of what the probe says, wherever it sits."""

    probe: Probe
    last_s: float = -math.inf
    slow_c: float = math.nan
    beer_c: float = math.nan
    swing_c: float = 0.0
    seems_in_air: bool = False

    def take(self, time_s: float, celsius: float, half_hours: tuple[float, float]) -> float:
        """Return the beer temperature; `half_hours` are the probe's values 30 and 60 min ago (or NaN)."""
        if math.isnan(celsius):
            return self.beer_c
        gap_h = (time_s - self.last_s) / 3600
        self.last_s = time_s
        if math.isnan(self.slow_c) or gap_h > 24:
            self.slow_c = celsius
        else:
            self.slow_c += (celsius - self.slow_c) * -math.expm1(-gap_h / BEER_LAG_H)
        bend = abs(celsius - 2 * half_hours[0] + half_hours[1])
        if not math.isnan(bend) and gap_h < 1:
            self.swing_c += (min(bend, MOST_BEND_C) - self.swing_c) * 0.02
            self.seems_in_air = self.swing_c > (BEER_SWING_C if self.seems_in_air else AIR_SWING_C)
        self.beer_c = self.slow_c if self.in_air else celsius
        return self.beer_c

    @property
    def in_air(self) -> bool:
        """Tell whether the probe sits in air: declared, or seen from its quick swings."""
        return self.probe is Probe.AIR or (self.probe is Probe.UNKNOWN and self.seems_in_air)
