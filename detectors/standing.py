"""Since when a bound on the CO2 still to come has stood below the limit: only what has stood for hours is believed."""

import math
from dataclasses import dataclass

from ullage.detectors.ending_bound import Bound
from ullage.detectors.proof import Proof

DOUBTS = 3
"""So many looks on end that show no end, and a bound behind a cycling valve has to stand anew."""
FORGOTTEN_S = 12 * 3600.0
"""So long after the last look, while gas may leave, the same."""


@dataclass(slots=True)
class Standing:
    """Takes each look at the bound; hours in doubt don't count."""

    since_s: float | None = None
    bound: Bound | None = None
    """The bound at the last look that showed an end, if it was below the limit."""
    looked_s: float = -math.inf
    """When the last look was, whatever it showed."""
    _doubts: int = 0
    """Looks on end that showed no end."""

    def look(self, now_s: float, bound: Bound, limit_g_per_l: float) -> bool:
        """Take a look at which nothing speaks against an end; tell whether the bound stands."""
        self._doubts = 0
        self.bound = bound if bound.most_g_per_l <= limit_g_per_l else None
        if self.bound is not None and self.since_s is None:
            self.since_s = now_s
        return self.bound is not None

    def doubt(self, proof: Proof | None, pace_s: float) -> None:
        """Take a look that shows no end: the time until the next, `pace_s`, does not count; several of them begin all anew.

        Just after a drop a cycling valve's tooth is too short to tell; a sealed vessel has no such excuse.
        """
        self._doubts += 1
        if proof is not Proof.CYCLE or self._doubts >= DOUBTS:
            self.since_s = None
        elif self.since_s is not None:
            self.since_s += pace_s

    def gas_may_leave(self, now_s: float) -> None:
        """Forget a bound that was seen to stand too long ago."""
        if now_s - self.looked_s > FORGOTTEN_S:
            self.since_s = None
