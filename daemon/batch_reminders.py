"""Reminders of what a batch waits for: told once a day, until it is done or put off.

A job of the scheduler looks each quarter of an hour at what the database says is next. Which reminder is due follows
from the clock alone, but for one that a notice has just told, and each is told under its own time, so neither a restart nor a clock that is set tells one twice.
They are never urgent: at night they are held back.
"""

import shlex
from collections.abc import Iterable

from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.clock import Clock
from ullage.daemon.events import TO_DO
from ullage.daemon.store import batches
from ullage.daemon.store.store import Store
from ullage.detectors.finding import Condition, Priority
from ullage.detectors.stage import NextStep

EVERY_S = 900.0
DAY_S = 86_400.0
MOST = 4
"""Reminders of one thing; who has not reacted by then does not want to know."""


_TOLD_BY = (Condition.FINING_DUE.value, Condition.READY.value)


def due_reminder_s(step: NextStep, now_s: float) -> float | None:
    """Return the time under which a reminder is due now; None if there is none."""
    if step.remind_s is None:
        return None
    first_s = max(step.remind_s, step.quiet_until_s or step.remind_s)
    if now_s < first_s:
        return None
    day = int((now_s - first_s) // DAY_S)
    return first_s + day * DAY_S if day < MOST else None


def _told_lately(desk: AlarmDesk, vessel: str, step: NextStep, due_s: float) -> bool:
    """Tell whether a notice has told of the step not long before a reminder is due, as at the end of a snooze."""
    if step.due_s is None:
        return False
    since_s = max(step.due_s, due_s - DAY_S / 2)
    return any(event.alarm.condition in _TOLD_BY for event in desk.history(vessel, since_s=since_s))


def remind(store: Store, desk: AlarmDesk, vessels: Iterable[str], clock: Clock) -> None:
    """Tell what is due.

    Raises
    ------
    StoreError
        If the database refuses.
    """
    for name in vessels:
        step = batches.next_step(store, name)
        due_s = None if step is None else due_reminder_s(step, clock.wall_s())
        if step is not None and due_s is not None and not _told_lately(desk, name, step, due_s):
            text = f"{step.text}. Later? `ullage snooze {shlex.quote(name)} 12`"
            desk.announce(TO_DO, text, vessel=name, priority=Priority.MEDIUM, time_s=due_s)
