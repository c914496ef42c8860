"""Falls that are too even for a valve that pops: its setting follows the fridge's air, a leak opens, or a hand vents.

A valve that pops lets most of a drop off within seconds. A smooth one whose spring follows the air's swings lets its level
fall by as much over ten or twenty minutes, every two hours, and looks much like slow teeth; of those nothing follows, for
gas leaves all the time.
"""

from collections import deque

from ullage.detectors.frames import Frame
from ullage.detectors.teeth import FALLING_S, Drop

FRAME_MINUTES, DENSE = 10, 4
"""Minutes of a frame's ten without which a drop may have gone by between readings."""
SUDDEN = 0.6
"""Part of a drop that goes within a minute or two, where a valve pops."""
KEPT = 48


class EvenFalls:
    """Takes the minutes of each frame; keeps which drops were none of a valve that pops."""

    def __init__(self) -> None:
        self._minutes: deque[float] = deque(maxlen=2 * FRAME_MINUTES)
        self._was_followed = False
        self.followed = False
        """Whether readings come often enough to follow a fall, and to see that teeth are too fast to be told apart."""
        self._times_s: deque[float] = deque(maxlen=KEPT)
        """When a drop ended, or was going on, that was too even."""
        self.count = 0

    def take(self, frame: Frame) -> None:
        """Take the newest frame."""
        often = len(frame.minute_end_s) >= DENSE
        self.followed, self._was_followed = often and self._was_followed, often
        self._minutes.extend(frame.minute_bar)

    def even(self, fall_bar: float) -> bool:
        """Tell whether a fall within the last two frames was seen to be even."""
        return self.followed and self._steepest_bar() < SUDDEN * fall_bar

    def note(self, time_s: float) -> None:
        """Keep that the drop which ends now, or goes on, is too even."""
        if not self._times_s or time_s - self._times_s[-1] > FALLING_S:
            self.count += 1
        self._times_s.append(time_s)

    def __contains__(self, drop: Drop) -> bool:
        return drop.time_s in self._times_s

    def _steepest_bar(self) -> float:
        """Return the steepest fall, each end a mean of three minutes."""
        minutes = list(self._minutes)
        means = [sum(minutes[at : at + 3]) / 3 for at in range(len(minutes) - 2)]
        return max((before - after for before, after in zip(means, means[3:], strict=False)), default=0.0)
