"""Alarms that stand in the database though the detectors, rebuilt after a restart, know nothing of them.

A kill costs the readings of the last commit interval, and with them perhaps the very ones that raised an alarm. Such
an alarm must neither be forgotten at once nor stand for ever: it is cleared when the sensors concerned have been heard
again for a while and the detectors still see nothing.
"""

from dataclasses import dataclass

from ullage.adapters.reading import Quantity
from ullage.daemon.alarm_states import AlarmKey
from ullage.daemon.clock import Clock
from ullage.daemon.vessel_time import SETTLE_S, VesselTime
from ullage.detectors.finding import Condition, Finding, Priority, State

ENOUGH_READINGS = 5
"""Readings of the sensor concerned before an orphan may be cleared; two already raise over-pressure."""
OVER_PRESSURE_SETTLE_S = 20.0
"""Over-pressure is judged by the reading, so it is known soon whether it still holds, and the next one must ring."""

_ABOUT = {
    Condition.OVER_PRESSURE.value: Quantity.PRESSURE,
    Condition.PRESSURE_RISING.value: Quantity.PRESSURE,
    Condition.PRESSURE_LOW.value: Quantity.PRESSURE,
    Condition.LEAK.value: Quantity.PRESSURE,
    Condition.TEMPERATURE_HIGH.value: Quantity.TEMPERATURE,
    Condition.TEMPERATURE_LOW.value: Quantity.TEMPERATURE,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Orphan:
    priority: Priority
    since_s: float
    heard: int


class Orphans:
    """The orphans of one vessel."""

    def __init__(self, clock: Clock, time: VesselTime) -> None:
        self._clock = clock
        self._time = time
        self._orphans: dict[AlarmKey, _Orphan] = {}

    def __contains__(self, key: AlarmKey) -> bool:
        return key in self._orphans

    def adopt(self, key: AlarmKey, priority: Priority) -> None:
        """Take an alarm that stands in the database and not in the detectors."""
        self._orphans[key] = _Orphan(
            priority=priority, since_s=self._clock.monotonic_s(), heard=self._time.count(concerns(key))
        )

    def forget(self, key: AlarmKey) -> None:
        """The detectors have spoken about it themselves."""
        self._orphans.pop(key, None)

    def settle(self) -> tuple[Finding, ...]:
        """Return a clearing for each orphan whose sensor has been heard long enough."""
        if not self._orphans:
            return ()
        now_s = self._clock.monotonic_s()
        over = [
            key
            for key, orphan in self._orphans.items()
            if now_s - orphan.since_s >= (OVER_PRESSURE_SETTLE_S if _over_pressure(key) else SETTLE_S)
            and self._time.count(concerns(key)) - orphan.heard >= ENOUGH_READINGS
        ]
        return tuple(self._clearing(key) for key in over)

    def _clearing(self, key: AlarmKey) -> Finding:
        orphan = self._orphans.pop(key)
        return Finding(
            time_s=self._time.now_s() or self._clock.wall_s(),
            vessel=key.vessel,
            condition=Condition(key.condition),
            state=State.CLEARED,
            priority=orphan.priority,
            subject=key.subject,
            text="Over: the detectors have begun anew since it was raised, and readings since show no sign of it.",
        )


def _over_pressure(key: AlarmKey) -> bool:
    return key.condition == Condition.OVER_PRESSURE.value


def concerns(key: AlarmKey) -> Quantity | None:
    """Return the sensor that an alarm is about, None when it may be any."""
    return quantity_named(key.subject) or _ABOUT.get(key.condition)


def quantity_named(subject: str) -> Quantity | None:
    """Return the quantity that a finding's subject names, None when it names something else."""
    try:
        return Quantity(subject.replace(" ", "_"))
    except ValueError:
        return None
