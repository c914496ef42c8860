"""Falls without a rise between them: no valve at work, which reseats and lets pressure come back.

A leak of some 20 mbar an hour and more falls, by noise, now and then as fast as a small drop of a valve does. Added up as
drops it would vanish.
"""

from itertools import pairwise

from ullage.detectors.teeth import LEAST_BAR
from ullage.detectors.valve import Valve

LEAST_DROPS = 3
LEAST_S = 5400.0
"""A hand at the valve is done sooner."""


def sinking_since_s(valve: Valve) -> float | None:
    """Return since when pressure has gone down in drops that each began no higher than the one before it ended, s.

    None if the latest drops are no such staircase of an hour and a half.
    """
    newest_first = list(reversed(valve.teeth.drops))
    steps = 0
    for later, earlier in pairwise(newest_first):
        if later.peak_bar > earlier.trough_bar + LEAST_BAR / 2 + 2 * valve.frame_noise_bar:
            break
        steps += 1
    if steps + 1 < LEAST_DROPS or newest_first[0].time_s - newest_first[steps].time_s < LEAST_S:
        return None
    return newest_first[steps].time_s
