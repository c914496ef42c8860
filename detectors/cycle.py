"""The cycle of a valve that pops: drops that are alike, teeth that were seen to climb, and when one of them proves it shut.

After a drop such a valve has reseated, and nothing leaves until pressure is back where it opens. But readings may miss drops:
teeth too fast for the sampling look flat, drops near the least that can be found have siblings that were smaller, and a valve
that has come to pass gas steadily stays where it reseats. So a tooth proves something only after others that were seen.
"""

import itertools
from collections import deque
from collections.abc import Sequence

from ullage.detectors.medians import median
from ullage.detectors.noise import PressureNoise
from ullage.detectors.teeth import LEAST_BAR, Drop, Rise, Teeth, beats, least_seen_bar

SLOW_TOOTH_S = 5400.0
"""Teeth at least this far apart can be added up: what is lost while the valve is open is little of them."""
CLEARLY_SEEN = 1.6
"""A drop so much larger than the least that is found is not missed."""
SEEN = 1.2
"""Where most drops are no more than so many times the least that is found, and a step of the converter, others were missed."""
LEAST_COUNT = 8
"""A valve that lets gas off in drops makes dozens of them: a wort's gas is some hundred times what a drop of 0.1 bar takes.
Fewer are a smooth one that stuck now and then."""
LASTING_S = 3 * 3600.0
CLIMBED = 0.15
"""Part of its drop that a tooth which lasts has climbed: yeast goes to rest within days, and beer gives back what a drop took.
A pressure that stays where the valve reseats may be one that passes gas steadily."""
SEEN_S = 1200.0
"""Teeth at least this far apart are seen one by one at a reading every few minutes."""


def alike(drops: Sequence[Drop], noise_bar: float) -> list[Drop]:
    """Return the drops that begin and end where the latest six do, or none if there are too few to tell.

    Parameters
    ----------
    drops
        Newest last.
    noise_bar
        Of a frame's pressure, sd.
    """
    if len(drops) < 3:
        return []
    peak = median(drop.peak_bar for drop in drops[-6:])
    trough = median(drop.trough_bar for drop in drops[-6:])
    tolerance = max(0.3 * (peak - trough), 4 * noise_bar, LEAST_BAR)
    return [
        drop
        for drop in drops
        if abs(drop.peak_bar - peak) <= tolerance and abs(drop.trough_bar - trough) <= tolerance
    ]


def opening(usual: Sequence[Drop], noise_bar: float) -> tuple[float, float]:
    """Return where the valve opened of late by its usual drops, and how closely that is known, bar."""
    spread = median(abs(a.peak_bar - b.peak_bar) for a, b in itertools.pairwise(usual[-6:]))
    return median(drop.peak_bar for drop in usual[-3:]), max(1.5 * spread, 2 * noise_bar, 0.0015)


class Cycle:
    """Follows the climb after each drop; tells whether the tooth that lasts now is a shut valve's.

    Parameters
    ----------
    teeth
        Finds the drops.
    noise
        The sensor's.
    """

    def __init__(self, teeth: Teeth, noise: PressureNoise) -> None:
        self._teeth = teeth
        self._noise = noise
        self._rise = Rise()
        self._resolved: deque[bool] = deque(maxlen=16)
        """For each drop kept, whether the rise before it was seen as one."""
        self.tooth_points = 0
        """Minutes seen of the rise before the last drop; 0 if it was not followed."""

    @property
    def tooth_resolved(self) -> bool:
        """Tell whether the rise before the last drop was seen as one."""
        return bool(self._resolved) and self._resolved[-1]

    def point(self, bar: float) -> None:
        """Take a minute without a drop in it."""
        self._rise.take(bar)

    def end_tooth(self, *, counted: bool) -> None:
        """Begin a new climb; if the drop was `counted`, and does not go on from before, keep how the last one was seen."""
        if counted:
            self.tooth_points = self._rise.points
            self._resolved.append(self._climbed(self._teeth.drops[-1].size_bar))
        self._rise = Rise()

    def since_s(self, usual: Sequence[Drop]) -> float:
        """Return since when gas has left in usual drops alone that were hours apart and so can be added up, s."""
        since_s = usual[-1].time_s
        newest_first = list(zip(reversed(self._teeth.drops), reversed(self._resolved), strict=True))
        for (later, resolved), (earlier, _) in itertools.pairwise(newest_first):
            if earlier not in usual or not resolved or later.time_s - earlier.time_s < SLOW_TOOTH_S:
                break
            since_s = earlier.time_s
        return since_s

    def reseated(self, usual: Sequence[Drop], time_s: float, bar: float) -> bool:
        """Tell whether the last drop is a usual one, and the climb after it that of a valve which has shut.

        Parameters
        ----------
        usual
            The usual drops, newest last; at least one.
        time_s, bar
            The newest frame, below where the valve opens.
        """
        last = usual[-1]
        if self._teeth.drops[-1] is not last or beats(self._teeth.drops, time_s):
            return False
        if time_s - last.time_s >= LASTING_S and bar - last.trough_bar < CLIMBED * last.size_bar:
            return False
        return self._seen(usual, time_s) and self._clear(usual)

    def _seen(self, usual: Sequence[Drop], time_s: float) -> bool:
        """Tell whether the latest teeth were seen one by one, two of the last three at the least."""
        last = usual[-1]
        if not self._rise.smooth(last.size_bar, self._noise.minute_sd_bar, self._noise.step_bar):
            return False
        seen = [*list(self._resolved)[-2:], self._climbed(last.size_bar)]
        return sum(seen) >= 2 or self._outlasts(usual, time_s)

    def _climbed(self, size_bar: float) -> bool:
        """Tell whether the rise so far was seen as one, after a drop of this size or before it."""
        return self._rise.resolved(size_bar, self._noise.minute_sd_bar, self._noise.step_bar)

    def _clear(self, usual: Sequence[Drop]) -> bool:
        """Tell whether the usual drops are so large that none of them is missed."""
        minute_bar, step_bar = self._noise.minute_sd_bar, self._noise.step_bar
        least_bar = max(10 * self._noise.frame_sd_bar, SEEN * least_seen_bar(minute_bar, step_bar) + step_bar)
        return median(drop.size_bar for drop in usual) >= least_bar

    def _outlasts(self, usual: Sequence[Drop], time_s: float) -> bool:
        """Tell whether the tooth that lasts now is long after teeth that were large and slow enough to be seen one by one.

        Teeth become too fast for the sampling by way of shorter and shorter ones; a tooth that simply lasts, and climbs
        no more, is one that nothing fills. Drops near the least that can be seen prove nothing: others were too small.
        """
        least_bar = least_seen_bar(self._noise.minute_sd_bar, self._noise.step_bar)
        if min(drop.size_bar for drop in usual) < CLEARLY_SEEN * least_bar:
            return False
        gaps_s = [later.time_s - earlier.time_s for earlier, later in itertools.pairwise(usual[-6:])]
        lasts_s = time_s - usual[-1].time_s
        return lasts_s >= LASTING_S and median(gaps_s) >= SEEN_S and lasts_s >= 2 * median(gaps_s)
