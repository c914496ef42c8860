"""The level at which a valve holds, as the pressure shows it, and whether cooling has taken the pressure below it.

A pressure that stands still for three hours near the setting is the valve's doing. Once it is known it may creep, and step up
where the brewer has turned the valve. A fading flow lets it slide, too, but slowly; cooling takes the pressure away from it.
"""

import math
from collections.abc import Sequence

from ullage.detectors.co2 import COOLING_BAR_PER_K
from ullage.detectors.frames import FRAMES_PER_HOUR
from ullage.detectors.medians import median
from ullage.detectors.noise import PressureNoise

OFF_SETTING_BAR = 0.12
"""A level that stands still so far below the setting has to stand for twice as long: a slow climb pauses as the fridge cools."""
OVER_LIFT_BAR = 0.15
"""Most by which flow lifts the level of a small valve (common practice)."""

Point = tuple[float, float, float]
"""A frame's time (s), pressure (bar) and beer temperature (°C)."""


class HeldLevel:
    """Where the valve has been seen to hold, bar as the sensor shows it."""

    def __init__(self) -> None:
        self.bar: float | None = None
        self.since_s: float | None = None
        """When it was learned; of a valve set anew the old one, until the new one is."""
        self.first_bar: float | None = None
        """Level at which it first held: with little flow or at the height, it passes gas down to there at least."""
        self._warm_c = math.nan
        """The beer's temperature while the pressure was last at the level."""

    def forget(self) -> None:
        """The valve is set anew: where it holds now is not known."""
        self.bar = None

    def take(
        self, recent: Sequence[Point], set_bar: float, changed_s: float, noise_bar: float, *, cooled: bool
    ) -> float | None:
        """Learn from the latest frames; return since when the valve holds at a higher level, None if it does not.

        Parameters
        ----------
        recent
            The latest frames, newest last.
        set_bar
            The valve's setting.
        changed_s
            When it was set: a level from before is none of this setting.
        noise_bar
            Of a frame's pressure, sd.
        cooled
            Whether cooling has taken the pressure below the level: then it teaches nothing.
        """
        near = self.bar is not None or recent[-1][1] > set_bar - OFF_SETTING_BAR
        wanted = (3 if near else 6) * FRAMES_PER_HOUR
        if len(recent) < wanted:
            return None
        window = list(recent)[-wanted:]
        bars = [bar for _, bar, _ in window]
        if window[0][0] < changed_s or not _still(bars, noise_bar):
            return None
        level = median(bars)
        if abs(level - set_bar) > max(0.3, 0.3 * set_bar):
            return None
        if self.bar is None:
            self.bar = self.first_bar = level
            self.since_s = window[-1][0]
        elif level > self.bar + 0.05:
            self.bar = level
            return window[0][0]
        elif not cooled:
            self.bar += 0.01 * (level - self.bar)  # creep of the valve, drift of the sensor
        return None

    def left_by_cooling(self, recent: Sequence[Point], noise: PressureNoise) -> bool:
        """Tell whether cooling, and not fading flow, has taken the pressure below the level that the valve holds.

        A fading flow lets the level slide too, but slowly, and the held level follows it.
        """
        _, bar, celsius = recent[-1]
        if self.bar is None or math.isnan(celsius):
            return False
        below = self.bar - bar
        margin = max(0.02, 4 * noise.frame_sd_bar, 1.5 * noise.step_bar)
        if below < margin / 2 or math.isnan(self._warm_c):
            warm = [c for _, b, c in recent if b > self.bar - margin / 2]
            self._warm_c = median(warm) if warm else math.nan
        cooler = self._warm_c - celsius
        return below >= margin and cooler >= 0.3 and below <= 1.3 * COOLING_BAR_PER_K * cooler + 0.01


def _still(bars: Sequence[float], noise_bar: float) -> bool:
    """Tell whether a pressure stands still: its last hour is where its first was."""
    hour = FRAMES_PER_HOUR
    change = abs(sum(bars[-hour:]) - sum(bars[:hour])) / hour
    return change < max(0.015, 3 * noise_bar) and max(bars) - min(bars) < 0.4
