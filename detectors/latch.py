"""A limit with dead-band, on-delay and off-delay: the part of ISA-18.2 that belongs to the signal."""

from dataclasses import dataclass
from enum import Enum


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
    active: bool = False
    since_s: float | None = None
    """When the pending change began."""

    def feed(self, time_s: float, beyond: bool, back: bool) -> Change:
        """Take one sample: `beyond` the limit, or `back` behind the dead-band, or neither."""
        wanted = back if self.active else beyond
        unwanted = beyond if self.active else back
        if unwanted:
            self.since_s = None
        elif wanted:
            if self.since_s is None:
                self.since_s = time_s
            if time_s - self.since_s >= (self.off_delay_s if self.active else self.on_delay_s):
                self.active = not self.active
                self.since_s = None
                return Change.RAISED if self.active else Change.CLEARED
        return Change.NONE
