"""How often the program was started of late: one that dies again and again starts again and again, and must be heard of."""

import logging

import sqlalchemy as sa

from ullage.adapters.errors import StoreError
from ullage.daemon.alarm_states import AlarmState, Cause
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.clock import Clock
from ullage.daemon.events import to_ms
from ullage.daemon.store.alarm_tables import alarm_transition
from ullage.daemon.store.store import Store
from ullage.detectors.finding import Priority

log = logging.getLogger(__name__)

CONDITION = "restarting"
WITHIN_S = 600.0
TOO_MANY = 4
"""Starts within ten minutes: an upgrade or two are none of this."""


class Restarts:
    """Notes this start in the log of alarms, and minds those before.

    Parameters
    ----------
    who
        Name of this daemon among others that share the database; empty for one alone.
    """

    def __init__(self, store: Store, desk: AlarmDesk, clock: Clock, who: str = "") -> None:
        self._store = store
        self._desk = desk
        self._clock = clock
        self._who = who
        self._started_s: float | None = None

    def started(self) -> int:
        """Note a start; raise the alarm if there were too many. Return how many there were within ten minutes."""
        self._started_s = self._clock.monotonic_s()
        try:
            count = self._note(to_ms(self._clock.wall_s()))
        except StoreError as error:  # the watch is worth more
            log.warning("this start is not on record", extra={"error": str(error)})
            return 1
        if count >= TOO_MANY:
            text = (
                f"The program was started {count} times within {WITHIN_S / 60:.0f} min. It may be losing its power, or "
                "dying of a fault: look at its log. Between its starts nobody watches."
            )
            self._desk.report(CONDITION, True, text, priority=Priority.HIGH)
        return count

    def look(self) -> None:
        """Clear the alarm once the program has lived for long enough."""
        if self._started_s is not None and self._clock.monotonic_s() - self._started_s > WITHIN_S:
            self._desk.report(CONDITION, False, f"It has run for {WITHIN_S / 60:.0f} min.")

    def _note(self, now_ms: int) -> int:
        line = alarm_transition.c
        with self._store.transaction() as connection:
            connection.execute(
                alarm_transition.insert().values(
                    vessel="",
                    condition=CONDITION,
                    subject=self._who,
                    before=AlarmState.NORMAL.value,
                    after=AlarmState.NORMAL.value,
                    cause=Cause.STARTED.value,
                    actor="start",
                    time_ms=now_ms,
                    made_ms=now_ms,
                )
            )
            found = connection.scalar(
                sa.select(sa.func.count()).where(
                    line.condition == CONDITION,
                    line.subject == self._who,
                    line.cause == Cause.STARTED.value,
                    line.made_ms.between(now_ms - round(WITHIN_S * 1000), now_ms),
                )
            )
        return int(found or 0)
