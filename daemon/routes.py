"""The way from the alarm desk to those who are told: what the desk asks of the notifier."""

from collections.abc import Callable, Sequence
from typing import Protocol

from ullage.daemon.events import Event
from ullage.daemon.outbox import Message
from ullage.detectors.finding import Priority


class Routes(Protocol):
    """Who is told, and the way there: the notifier, or `Nobody`."""

    def targets_for(self, priority: Priority) -> tuple[str, ...]:
        """Return the names of the targets that are told of a priority."""
        ...

    def stored(self, messages: Sequence[Message]) -> None:
        """Take messages whose rows are committed."""
        ...

    def urgent(self, events: Sequence[Event], delay_s: float = 0.0) -> None:
        """Take events that have no row (yet); told after `delay_s` unless their rows come or they are withdrawn."""
        ...

    def withdraw(self, events: Sequence[Event]) -> None:
        """Forget events without rows that need not be told after all."""
        ...


class Nobody:
    """Routes of a process that sends nothing itself, such as one that only acknowledges.

    Parameters
    ----------
    addresses
        Target names by priority, where rows are to be written for the daemon to send.
    """

    def __init__(self, addresses: Callable[[Priority], tuple[str, ...]] = lambda _: ()) -> None:
        self._addresses = addresses

    def targets_for(self, priority: Priority) -> tuple[str, ...]:
        """Return the names given."""
        return self._addresses(priority)

    def stored(self, messages: Sequence[Message]) -> None:
        """Leave the rows to the daemon."""

    def urgent(self, events: Sequence[Event], delay_s: float = 0.0) -> None:
        """Drop the events."""

    def withdraw(self, events: Sequence[Event]) -> None:
        """Do nothing."""
