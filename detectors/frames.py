"""Ten-minute frames: the pace at which a fermentation moves, and the unit in which the slow detectors think."""

import math
from dataclasses import dataclass, field

from ullage.detectors.medians import median
from ullage.detectors.minutes import Minutes

FRAME_S = 600.0
FRAMES_PER_HOUR = 6


def came_by(before_s: float, now_s: float, pace_s: float) -> bool:
    """Tell whether a whole multiple of `pace_s` lies after `before_s` and not after `now_s`."""
    return now_s // pace_s > before_s // pace_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Ten minutes of a vessel; NaN where a quantity was not seen.

    `minute_end_s` and `minute_bar` are the minutes with a pressure in it (three-point medians, so that a single
    spike is gone even where a minute holds one sample).
    """

    end_s: float
    pressure_bar: float
    temperature_c: float
    minute_end_s: tuple[float, ...]
    minute_bar: tuple[float, ...]
    moved: bool = True
    """Whether the pressure reading changed at all, noise and spikes counted: a dead sensor's does not."""

    @property
    def empty(self) -> bool:
        """Tell whether nothing at all was seen."""
        return math.isnan(self.pressure_bar) and math.isnan(self.temperature_c)


@dataclass(slots=True)
class FrameMaker:
    """Gathers minutes into frames; keeps the open frame and the last two pressures."""

    _closes_s: float = -math.inf
    """When the open frame ends."""
    _ends: list[float] = field(default_factory=list)
    _bars: list[float] = field(default_factory=list)
    _last_bar: float = math.nan
    _moved: bool = False
    _temperatures: list[float] = field(default_factory=list)
    _recent: list[tuple[float, float]] = field(default_factory=list)
    _recent_c: list[float] = field(default_factory=list)

    def update(self, minutes: Minutes) -> list[Frame]:
        """Take closed minutes; return the frames that closed."""
        frames: list[Frame] = []
        columns = zip(
            minutes.end_s.tolist(), minutes.pressure_bar.tolist(), minutes.temperature_c.tolist(), strict=True
        )
        for end_s, bar, celsius in columns:
            if end_s > self._closes_s:
                frames += self.tick(end_s - 1.0)
            if not math.isnan(bar):
                self._take_pressure(end_s, bar)
            if not math.isnan(celsius):
                self._take_temperature(celsius)
        return frames

    def tick(self, now_s: float) -> list[Frame]:
        """Close the open frame if `now_s` lies beyond it."""
        closes_s = (now_s // FRAME_S + 1) * FRAME_S
        if self._closes_s == -math.inf:
            self._closes_s = closes_s
        if closes_s <= self._closes_s:
            return []
        frame = Frame(
            end_s=self._closes_s,
            pressure_bar=median(self._bars),
            temperature_c=median(self._temperatures),
            minute_end_s=tuple(self._ends),
            minute_bar=tuple(self._bars),
            moved=self._moved,
        )
        self._closes_s, self._moved = closes_s, False
        self._ends, self._bars, self._temperatures = [], [], []
        return [frame]

    def _take_pressure(self, end_s: float, bar: float) -> None:
        self._moved = self._moved or bar != self._last_bar
        self._last_bar = bar
        self._recent.append((end_s, bar))
        if len(self._recent) < 3:
            return
        (_, first), (middle_s, middle), (_, last) = self._recent
        self._ends.append(middle_s)
        self._bars.append(sorted((first, middle, last))[1])
        del self._recent[0]

    def _take_temperature(self, celsius: float) -> None:
        self._recent_c.append(celsius)
        if len(self._recent_c) < 3:
            self._temperatures.append(celsius)
            return
        self._temperatures.append(sorted(self._recent_c)[1])
        del self._recent_c[0]
