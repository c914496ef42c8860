"""A limit with dead-band, on-delay and off-delay: the part of ISA-18.2 that belongs to the signal.

An alarm that comes and goes (the standard calls it chattering) is held instead of being told at every swing.
"""

from collections import deque
from dataclasses import dataclass, field
from enum import Enum

CHATTER_RAISES, CHATTER_S = 3, 86_400.0
"""Raised so often within a day, it chatters."""


class Change(Enum):
    """What a sample did to the latch."""

    NONE = 0
    RAISED = 1
    CLEARED = 2


@dataclass(slots=True)
class Latch:
    """Holds a condition: true only after `on_delay_s` of true, false only after `off_delay_s` of false.

    Between "true" and "false" lies the dead-band: neither answer moves the latch there, and a pending change is kept.
    """

    on_delay_s: float
    off_delay_s: float
    chatter_off_s: float | None = None
    """Off-delay of an alarm that chatters; None to tell each time all the same."""
    active: bool = False
    since_s: float | None = None
    """When the pending change began."""
    _raised_s: deque[float] = field(default_factory=lambda: deque(maxlen=CHATTER_RAISES))

    def feed(self, time_s: float, beyond: bool, back: bool) -> Change:
        """Take one sample: `beyond` the limit, or `back` behind the dead-band, or neither."""
        wanted = back if self.active else beyond
        unwanted = beyond if self.active else back
        if unwanted:
            self.since_s = None
        elif wanted:
            if self.since_s is None:
                self.since_s = time_s
            if time_s - self.since_s >= (self._until_clear_s() if self.active else self.on_delay_s):
                self.active = not self.active
                self.since_s = None
                if self.active:
                    self._raised_s.append(time_s)
                return Change.RAISED if self.active else Change.CLEARED
        return Change.NONE

    def _until_clear_s(self) -> float:
        often = self._raised_s
        chatters = len(often) == CHATTER_RAISES and often[-1] - often[0] <= CHATTER_S
        return self.chatter_off_s if chatters and self.chatter_off_s is not None else self.off_delay_s
