"""A pressure that climbs for hours past where its valve should have opened: too slowly for the line through twenty minutes.

A cold lager raises a stuck vessel by 30 mbar an hour; over twenty minutes that is a converter's step or two and hides in the
noise until the plate is reached. Over three hours it is plain.
"""

import math
from collections import deque

import numpy as np

from ullage.detectors.slopes import robust_line

QUARTER_S, KEPT = 900.0, 13
"""The first value of each quarter of an hour, over three hours."""
OVER_MIN = (KEPT - 1) * QUARTER_S / 60
"""Minutes of the line."""
LEAST_POINTS = 11
SURE = 6.0
"""Standard errors above zero: a dozen points know their own scatter badly, and neighbours are alike."""


class SlowClimb:
    """Keeps one value a quarter of an hour, and the slope through them."""

    def __init__(self) -> None:
        self._points: deque[tuple[float, float]] = deque(maxlen=KEPT)
        self._slope: tuple[float, float] = (math.nan, math.nan)
        """Of which newest point, and the slope, bar/h: it is seldom asked for."""

    @staticmethod
    def wanted_from_s(last_s: float) -> float:
        """Return from when on values matter to one who looks at `last_s`, s."""
        return (last_s // QUARTER_S - KEPT) * QUARTER_S

    def forget(self) -> None:
        """The valve was opened or set: what came before says nothing."""
        self._points.clear()

    def take(self, time_s: float, bar: float) -> None:
        """Take a minute's value; only the first of each quarter of an hour counts, however the stream is cut."""
        if self._points and time_s // QUARTER_S <= self._points[-1][0] // QUARTER_S:
            return
        self._points.append((time_s, bar))

    @property
    def slope_bar_per_h(self) -> float:
        """How fast the pressure climbs; NaN if it does not for sure."""
        if not self._points:
            return math.nan
        newest_s = self._points[-1][0]
        if self._slope[0] != newest_s:
            self._slope = newest_s, self._fitted()
        return self._slope[1]

    def _fitted(self) -> float:
        since_s = self._points[-1][0] - KEPT * QUARTER_S
        points = [(t, p) for t, p in self._points if t >= since_s]
        if len(points) < LEAST_POINTS or points[-1][1] <= points[0][1]:
            return math.nan
        time_s, bar = (np.array(column) for column in zip(*points, strict=True))
        line = robust_line(time_s, bar, 0.001)
        return line.slope_per_s * 3600 if line.slope_per_s > SURE * line.slope_se_per_s else math.nan
