"""Many alarms at once are one thing to tell: what came first, and how much came after it.

A flood starts at more than 10 alarms in 10 minutes and ends below 5 in 10 minutes (ISA-18.2, figures for an alarm
flood). Over-pressure takes no part in it.
"""

from collections import deque
from dataclasses import dataclass

from ullage.daemon.events import Event, EventKey

WINDOW_S = 600.0
STARTS_ABOVE = 10
ENDS_BELOW = 5
FIRST_DIGEST_S = 60.0
"""How long the first digest gathers."""
NEXT_DIGEST_S = 600.0


@dataclass(frozen=True, slots=True)
class Hold:
    """How a message of a flood is told: not before `until_s` (wall time), together with the others."""

    until_s: float | None = None
    first: str = ""


@dataclass(frozen=True, slots=True)
class _Mark:
    at_s: float
    key: EventKey
    name: str
    hold: Hold


class Flood:
    """Counts alarms as they are raised, by monotonic time, and says which of them wait for a digest."""

    def __init__(self) -> None:
        self._marks: deque[_Mark] = deque()
        self._first = ""
        self._digest_at_s = 0.0

    @property
    def active(self) -> bool:
        """Whether there is a flood."""
        return bool(self._first)

    def mark(self, event: Event, monotonic_s: float, wall_s: float) -> Hold:
        """Count an alarm and say how it is told. The same event again counts once and gets the same answer."""
        for mark in self._marks:
            if mark.key == event.key:
                return mark.hold
        self._forget(monotonic_s)
        if not self.active and len(self._marks) >= STARTS_ABOVE:
            self._first = self._marks[0].name
            self._digest_at_s = monotonic_s + FIRST_DIGEST_S
        hold = self._hold(monotonic_s, wall_s)
        self._marks.append(_Mark(monotonic_s, event.key, _name(event), hold))
        return hold

    def hold(self, monotonic_s: float, wall_s: float) -> Hold:
        """Say how something that is no new alarm, such as the end of one, is told now."""
        self._forget(monotonic_s)
        return self._hold(monotonic_s, wall_s)

    def _forget(self, monotonic_s: float) -> None:
        while self._marks and monotonic_s - self._marks[0].at_s > WINDOW_S:
            self._marks.popleft()
        if len(self._marks) < ENDS_BELOW:
            self._first = ""

    def _hold(self, monotonic_s: float, wall_s: float) -> Hold:
        if not self.active:
            return Hold()
        if monotonic_s >= self._digest_at_s:
            self._digest_at_s = monotonic_s + NEXT_DIGEST_S
        return Hold(wall_s + self._digest_at_s - monotonic_s, self._first)


def _name(event: Event) -> str:
    vessel = f" in {event.alarm.vessel}" if event.alarm.vessel else ""
    return f"{event.alarm.condition}{vessel} (id {event.token})"
