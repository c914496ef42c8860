"""Words and signs of the page: times, trends, alarms; everything that has a colour has a word and a sign as well."""

from collections.abc import Mapping
from types import MappingProxyType

from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.alarm_states import Alarm, AlarmState
from ullage.daemon.chart.batch import condition_words
from ullage.daemon.chart.units import Units
from ullage.daemon.local_time import LocalTime
from ullage.daemon.times import duration_text
from ullage.detectors.finding import Priority

TREND_SIGNS: Mapping[str, str] = MappingProxyType({"rising": "↗", "steady": "→", "falling": "↘"})
PRIORITY_SIGNS: Mapping[Priority, str] = MappingProxyType(
    {Priority.CRITICAL: "▲▲", Priority.HIGH: "▲", Priority.MEDIUM: "△", Priority.LOW: "△"}
)
OVER_SIGN = "○"
CAUTION_SIGN = "▲"
USUAL_ENTRIES = ("pitched", "valve shut", "valve opened", "vented", "tapped")
"""Entries that need no number: one press each."""
NUMBERED_ENTRIES = (("valve set", "bar"), ("chill", "°C"), ("fined", "mL"), ("gravity", "SG"))


def when(moment_s: float, now_s: float, zone: LocalTime) -> str:
    """Write a moment as short as it can be told from now: `14:02`, `Sat 14:02`, `Sat 7 Mar 14:02`."""
    then, now = zone.at(moment_s), zone.at(now_s)
    clock = f"{then:%H:%M}"
    if then.date() == now.date():
        return clock
    if abs(moment_s - now_s) < 6 * 86_400:
        return f"{then:%a} {clock}"
    return f"{then:%a} {then.day} {then:%b} {clock}"


def due_words(due_s: float, now_s: float, zone: LocalTime) -> str:
    """Say when something is due."""
    if due_s <= now_s + 60:
        return "now"
    return f"{when(due_s, now_s, zone)}, in {duration_text(due_s - now_s)}"


def age_words(age_s: float) -> str:
    """Say how old a reading is."""
    return f"{duration_text(max(age_s, 0.0))} ago"


def number_of(quantity: Quantity, reading: Reading, units: Units) -> tuple[str, str]:
    """Return a reading as number and unit."""
    if quantity is Quantity.PRESSURE:
        return units.pressure_number(reading.value), units.pressure_label
    if quantity in (Quantity.TEMPERATURE, Quantity.AIR_TEMPERATURE):
        return units.temperature_number(reading.value), units.temperature_label
    return f"{reading.value:.3f}", "SG"


def alarm_title(alarm: Alarm) -> str:
    """Name an alarm with its urgency and state."""
    words = condition_words(alarm.condition, alarm.subject)
    if alarm.state is AlarmState.RETURNED:
        return f"{words}, over but not acknowledged"
    state = "acknowledged" if alarm.state is AlarmState.ACKNOWLEDGED else "not acknowledged"
    return f"{words}, {alarm.priority.value}, {state}"


def summary(alarms: int, urgent: int, stale: int, cautions: int = 0, unheard: int = 0) -> str:
    """Say in a few words how everything stands; `unheard` counts vessels with a sensor that has never spoken."""
    others = alarms - urgent
    parts = [f"{urgent} critical alarm{'s' * (urgent != 1)}"] if urgent else []
    if others:
        parts.append(f"{others} {'other ' * bool(urgent)}alarm{'s' * (others != 1)}")
    if not alarms:
        parts.append("no alarm")
    if cautions:
        parts.append(f"{cautions} caution{'s' * (cautions != 1)}")
    if stale:
        parts.append(f"{stale} old reading{'s' * (stale != 1)}")
    if unheard:
        parts.append(f"{unheard} with a sensor not heard yet")
    return ", ".join(parts)
