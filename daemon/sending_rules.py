"""When what may go to a target: critical at once, the rest outside quiet hours and no oftener than agreed."""

from collections.abc import Sequence
from dataclasses import dataclass

from ullage.daemon.events import TO_DO, EventKind
from ullage.daemon.local_time import LocalTime
from ullage.daemon.notify_settings import BackOff, NotifySettings, RateLimit
from ullage.daemon.outbox import Message
from ullage.daemon.quiet_hours import QuietHours
from ullage.daemon.wording import Wording
from ullage.detectors.finding import NOTICES, Condition, Priority

_PATIENT = frozenset(notice.value for notice in NOTICES - {Condition.STILL_FERMENTING}) | {TO_DO}
"""Notices that lose nothing by waiting for the morning. One asks to open a valve before the pressure is too high; where it only says
how a test goes on its priority is low."""


@dataclass(frozen=True, slots=True)
class Choice:
    """What goes next, in one letter if it fits; or how long nothing may go."""

    messages: tuple[Message, ...] = ()
    wait_s: float = float("inf")


class RateBudget:
    """So many letters at once, refilled evenly, by monotonic time."""

    def __init__(self, limit: RateLimit) -> None:
        self._most = float(limit.messages)
        self._per_s = limit.messages / limit.per_s
        self._left = self._most
        self._at_s: float | None = None
        self._pause_until_s = 0.0

    def wait_s(self, monotonic_s: float) -> float:
        """Return the seconds until a letter may go; 0 if it may now."""
        self._refill(monotonic_s)
        short_s = 0.0 if self._left >= 1 else (1 - self._left) / self._per_s
        return max(short_s, self._pause_until_s - monotonic_s, 0.0)

    def spend(self, monotonic_s: float, pause_s: float) -> None:
        """Count a letter; the target wants `pause_s` seconds before the next."""
        self._refill(monotonic_s)
        self._left = max(self._left - 1, 0.0)
        self._pause_until_s = monotonic_s + pause_s

    def _refill(self, monotonic_s: float) -> None:
        if self._at_s is not None:
            self._left = min(self._most, self._left + (monotonic_s - self._at_s) * self._per_s)
        self._at_s = monotonic_s


class Rules:
    """The rules of one target.

    Parameters
    ----------
    settings
        What the user said about messages.
    local
        Zone of the quiet hours and of times in messages.
    """

    def __init__(self, settings: NotifySettings, local: LocalTime) -> None:
        self.wording = Wording(local, settings.late_after_min * 60)
        self.give_up_after_s: dict[Priority, float] = {
            Priority(priority): hours * 3600 for priority, hours in settings.give_up_after_h.items()
        }
        self._quiet = QuietHours.parse(settings.quiet_hours, local)
        self._night = QuietHours.parse(settings.night, local)
        self._budget = RateBudget(settings.rate_limit)
        self._back_off: BackOff = settings.back_off

    def choose(self, messages: Sequence[Message], monotonic_s: float, wall_s: float) -> Choice:
        """Choose from what waits. Critical messages go alone and first, and wait for nothing.

        Parameters
        ----------
        messages
            What waits and is not held back by a flood.
        monotonic_s, wall_s
            Now.
        """
        critical = [message for message in messages if message.event.priority is Priority.CRITICAL]
        if critical:
            return Choice(tuple(sorted(critical, key=_order)))
        if not messages:
            return Choice()
        quiet_until_s = self._quiet.until_s(wall_s)
        if quiet_until_s is not None:
            return Choice(wait_s=quiet_until_s - wall_s)
        night_until_s = self._night.until_s(wall_s)
        if night_until_s is not None:
            messages = [message for message in messages if not _can_wait(message)]
            if not messages:
                return Choice(wait_s=night_until_s - wall_s)
        wait_s = self._budget.wait_s(monotonic_s)
        if wait_s > 0:
            return Choice(wait_s=wait_s)
        return Choice(tuple(sorted(messages, key=_order)))

    def spend(self, monotonic_s: float, pause_s: float) -> None:
        """Count a letter against the agreed rate."""
        self._budget.spend(monotonic_s, pause_s)

    def longest_pause_s(self, failures: int, *, urgent: bool) -> float:
        """Return the longest pause after so many failures in a row; the pause itself is drawn between 0 and it."""
        longest_s = self._back_off.longest_critical_s if urgent else self._back_off.longest_s
        return min(longest_s, self._back_off.first_s * 2.0 ** min(failures - 1, 30))


def _can_wait(message: Message) -> bool:
    """Tell whether a message loses nothing by waiting for the morning."""
    event = message.event
    low = event.priority is Priority.LOW and event.alarm.condition == Condition.STILL_FERMENTING.value
    return event.kind is EventKind.NOTED and (low or event.alarm.condition in _PATIENT)


def _order(message: Message) -> tuple[int, float]:
    return message.event.rank, message.event.time_s
