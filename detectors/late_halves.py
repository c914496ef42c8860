"""Production from the later halves of a cycling valve's teeth.

After a drop the beer holds more gas than the head space's new pressure allows, and gives it back within hours: the
tooth rises fast at first. Its later half shows production alone, or too much of it if the tooth is too short for the
balance; never too little. One tooth is short, so the latest few are taken together.
"""

import math
from collections import deque

from ullage.detectors.production import Production
from ullage.detectors.record import Record

TEETH = 4
WITHIN_S = 36 * 3600.0
LEAST_TOOTH_S = 1.2 * 3600.0
SHORT_TEETH = 2
"""So many teeth on end too short to be measured: gas comes faster again than the slow ones before them say. One may be a
swing of the fridge."""


class LateHalves:
    """Keeps the rate of the later half of each of the last teeth."""

    def __init__(self) -> None:
        self._teeth: deque[Production] = deque(maxlen=TEETH)
        self._tooth_s = -math.inf
        self._current: Production | None = None
        self._unmeasured = 0

    def slow_teeth(self, now_s: float) -> int:
        """Return how many teeth long enough to be measured have been completed within three days."""
        return sum(now_s - one.end_s < 2 * WITHIN_S for one in self._teeth)

    def watch(self, record: Record, tooth_s: float) -> Production | None:
        """Look at the tooth that began at `tooth_s`; return what the last teeth say together, None if too little."""
        if tooth_s != self._tooth_s:
            self._end_tooth()
            self._tooth_s, self._current = tooth_s, None
        half_s = (record.now_s - tooth_s) / 2
        if half_s >= LEAST_TOOTH_S / 2:
            self._current = record.production_over(tooth_s, half_s / 3600 + 0.01)
        teeth = [one for one in self._teeth if record.now_s - one.end_s < WITHIN_S]
        if self._current is not None:
            teeth.append(self._current)
        return _together(teeth)

    def _end_tooth(self) -> None:
        if self._current is not None:
            self._teeth.append(self._current)
            self._unmeasured = 0
            return
        self._unmeasured += 1
        if self._unmeasured >= SHORT_TEETH:
            self._teeth.clear()


def _together(teeth: list[Production]) -> Production | None:
    """Return the mean weighted by certainty; its error is the larger of theirs and of their scatter."""
    if len(teeth) < 2:
        return None
    weights = [1 / max(one.se_g_per_l_day, 0.01) ** 2 for one in teeth]
    total = sum(weights)
    rate = sum(w * one.rate_g_per_l_day for w, one in zip(weights, teeth, strict=True)) / total
    scatter = (
        sum(w * (one.rate_g_per_l_day - rate) ** 2 for w, one in zip(weights, teeth, strict=True)) / total
    )
    se = max(math.sqrt(1 / total), math.sqrt(scatter / (len(teeth) - 1)))
    middle_s = sum(w * (one.start_s + one.end_s) / 2 for w, one in zip(weights, teeth, strict=True)) / total
    half_s = teeth[-1].end_s - middle_s
    return Production(
        rate_g_per_l_day=rate,
        se_g_per_l_day=se,
        hours=sum(one.hours for one in teeth),
        start_s=middle_s - half_s,
        end_s=teeth[-1].end_s,
        residual_sd_bar=max(one.residual_sd_bar for one in teeth),
    )
