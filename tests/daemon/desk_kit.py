"""Findings, routes that remember, and stores for the tests of alarms and messages."""

from collections.abc import Sequence
from pathlib import Path

from ullage.daemon.events import Event
from ullage.daemon.outbox import Message
from ullage.daemon.store.store import Store
from ullage.detectors.finding import NOTICES, Condition, Finding, Priority, State

T0 = 1_780_000_000.0
"""28 May 2026, 20:26:40 UTC."""


def open_store(folder: Path, *, busy_timeout_s: float = 10.0) -> Store:
    return Store.open(f"sqlite:///{folder / 'desk.db'}", busy_timeout_s=busy_timeout_s)


def finding(
    condition: Condition = Condition.TEMPERATURE_HIGH,
    state: State | None = None,
    *,
    time_s: float = T0,
    vessel: str = "north",
    subject: str = "",
    priority: Priority | None = None,
    value: float | None = 24.6,
    text: str = "",
) -> Finding:
    """Return a finding with words and numbers; over-pressure is critical, other alarms high, notices medium."""
    if state is None:
        state = State.NOTED if condition in NOTICES else State.RAISED
    if priority is None:
        priority = Priority.MEDIUM if condition in NOTICES else Priority.HIGH
        if condition is Condition.OVER_PRESSURE:
            priority = Priority.CRITICAL
    return Finding(
        time_s=time_s,
        vessel=vessel,
        condition=condition,
        state=state,
        priority=priority,
        text=text or f"{condition.value} {state.value} at {value}",
        subject=subject,
        value=value,
        limit=24.0,
        unit="Cel",
    )


class Recorder:
    """Routes to invented targets that note what the desk hands over."""

    def __init__(self, targets: Sequence[str] = ("phone",)) -> None:
        self.targets = tuple(targets)
        self.messages: list[Message] = []
        self.direct: list[tuple[Event, float]] = []
        self.withdrawn: list[Event] = []

    def targets_for(self, priority: Priority) -> tuple[str, ...]:
        return self.targets

    def stored(self, messages: Sequence[Message]) -> None:
        self.messages.extend(messages)

    def urgent(self, events: Sequence[Event], delay_s: float = 0.0) -> None:
        self.direct.extend((event, delay_s) for event in events)

    def withdraw(self, events: Sequence[Event]) -> None:
        self.withdrawn.extend(events)
