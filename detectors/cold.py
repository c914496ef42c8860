"""How long the beer, not the air, has been cold.

A spell counts from the first frame at or below the limit. It ends when the beer is a quarter of a kelvin above it for half
an hour, half a kelvin once it has been long enough: a fridge's swing or a reading on the edge does not send the brewer back to
the beginning.
"""

import math
from dataclasses import dataclass

LONGEST_GAP_S = 2 * 3600.0
"""Nobody knows how warm the beer was while nothing was heard for longer than this."""
SLACK_C = 0.5
PATIENCE = 3
"""Frames above the limit and its slack that end a spell."""


@dataclass(slots=True)
class Cold:
    """The spell in the cold that lasts now."""

    since_s: float | None = None
    through_s: float | None = None
    """When it had lasted long enough."""
    warmed_s: float | None = None
    """When the beer last warmed out of a spell that had been long enough."""
    _seen_s: float = -math.inf
    _warm: int = 0

    def unheard(self, time_s: float) -> bool:
        """Tell whether nobody knows how warm the beer is at a time, since nothing has been heard for so long."""
        return time_s - self._seen_s > LONGEST_GAP_S

    def begin_anew(self, time_s: float, *, through: bool) -> None:
        """Count from a time on, as the brewer has judged what came before; `through` if it is long enough all the same."""
        if self.since_s is not None:
            self.since_s = time_s
        if not through:
            self.through_s = None

    def take(self, time_s: float, celsius: float, limit_c: float, hours: float) -> None:
        """Take the beer temperature of a frame in which the probe was heard."""
        if math.isnan(celsius):
            return
        unheard = self.unheard(time_s)
        self._seen_s = time_s
        if self.through_s is not None:
            if unheard:
                self.since_s = time_s  # cold again, or still: what settles has to be seen to stay so
            if not self._warmed(celsius, limit_c + SLACK_C):
                return
            self.warmed_s = time_s
            self.since_s = self.through_s = None
        if self.since_s is None and celsius > limit_c:
            return
        if self.since_s is not None and self._warmed(celsius, limit_c + SLACK_C / 2):
            self.since_s = None
            return
        if self.since_s is None or unheard:
            self.since_s, self._warm = time_s, 0
        if time_s - self.since_s >= hours * 3600:
            self.through_s = time_s

    def _warmed(self, celsius: float, above_c: float) -> bool:
        """Tell whether the beer has been above for so many frames on end that the spell is over."""
        self._warm = self._warm + 1 if celsius > above_c else 0
        if self._warm < PATIENCE:
            return False
        self._warm = 0
        return True
