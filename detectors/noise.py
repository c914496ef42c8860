"""How noisy and how coarse a pressure sensor is, learned from minutes."""

import math
from collections import deque

from ullage.detectors.frames import Frame
from ullage.detectors.medians import median

BEND_MEDIAN = 0.5
"""Median of |second difference| of a three-point median of white noise of sd 1 (computed)."""
RECENT = 48
"""Latest bends by which scatter is told: teeth that are too fast to be seen go on for longer."""
ENOUGH = 60
"""Bends seen before the estimate is trusted."""
LEAST_BAR = 0.0002
MOST_BAR = 0.02
LEAST_CHANGE_BAR = 1e-5
STEP_DOWN = 0.9
STEP_UP = STEP_DOWN ** (-1 / 49)
LEAST_RESTLESS_BAR = 0.002
"""Bends of teeth that matter but are not seen are larger: a blow-down smaller than 5 mbar is none."""


class PressureNoise:
    """Tracks the median bend between minutes: a rise does not move it, spikes and drops hardly do.

    While the valve may be passing gas (`settled`) the estimate may only come down once enough was seen: the teeth of a
    fast cycling valve would pass for noise. `restless` tells of them instead.
    """

    def __init__(self) -> None:
        self._bend_bar = self._most_bend_bar = 0.002 * BEND_MEDIAN
        self._per_frame = 4
        self._seen = 0
        self._recent: deque[float] = deque(maxlen=RECENT)
        self._before: tuple[float, ...] = ()
        self.step_bar = 0.0
        """Near the smallest changes seen, all but one in fifty are larger: of a coarse converter its step (or half of it, where a
        minute's median averages two values)."""
        self._settle()

    def _settle(self) -> None:
        """Work out what is asked of the noise, once for each frame that it is learned from."""
        raw = self._bend_bar / BEND_MEDIAN
        self.minute_sd_bar = max(0.67 * raw, 0.3 * self.step_bar, LEAST_BAR)
        """Sd of one minute's value, three-point median taken."""
        self.frame_sd_bar = max(
            self.minute_sd_bar / math.sqrt(max(self._per_frame / 3, 1.0)), 0.2 * self.step_bar, LEAST_BAR
        )
        """Sd of a frame's median (neighbouring minutes share samples, hence the root of a quarter less)."""

    @property
    def restless(self) -> bool:
        """Tell whether the latest minutes scatter beyond the noise: teeth too fast to be seen one by one."""
        if len(self._recent) < RECENT // 2:
            return False
        # a steady climb over a coarse converter's stairs bends by a step, twice the smallest change seen, at each of them
        return median(self._recent) > max(3 * self._bend_bar, 2.5 * self.step_bar, LEAST_RESTLESS_BAR)

    def take(self, frame: Frame, *, settled: bool) -> None:
        """Learn from one frame's minutes."""
        values = (*self._before, *frame.minute_bar)
        self._before = values[-2:]
        if frame.minute_bar:
            self._per_frame = len(frame.minute_bar)
        bend_bar = self._bend_bar
        for a, b, c in zip(values, values[1:], values[2:], strict=False):
            bend = abs(a - 2 * b + c)
            self._seen += 1
            self._recent.append(bend)
            known = self._seen >= ENOUGH
            pace = 0.006 if known else 0.03
            bend_bar *= 1 + pace if bend > bend_bar else 1 - pace
            if settled and known:
                bend_bar = min(bend_bar, self._most_bend_bar)
            else:
                self._most_bend_bar = bend_bar
            for change in (abs(b - a), abs(c - b)):
                if change > LEAST_CHANGE_BAR:
                    self._note_change(change)
        self._bend_bar = min(max(bend_bar, LEAST_BAR * BEND_MEDIAN), MOST_BAR)
        self._settle()

    def _note_change(self, change_bar: float) -> None:
        """Follow the least changes but the fiftieth part: a spike's half in a median may be smaller than any true step."""
        if self.step_bar == 0.0:
            self.step_bar = change_bar
        self.step_bar *= STEP_DOWN if change_bar < self.step_bar else STEP_UP
