"""What a detector says: one condition, raised, cleared or noted, with the numbers behind it."""

from dataclasses import dataclass
from enum import StrEnum


class Condition(StrEnum):
    """The conditions of the contract."""

    ACTIVITY = "activity"
    HELD = "held"
    FINISH_SUSPECTED = "finish-suspected"
    STILL_FERMENTING = "still-fermenting"
    FINISHED = "finished"
    CHILLED = "chilled"
    FINING_DUE = "fining-due"
    READY = "ready"
    OVER_PRESSURE = "over-pressure"
    PRESSURE_RISING = "pressure-rising"
    PRESSURE_LOW = "pressure-low"
    TEMPERATURE_HIGH = "temperature-high"
    TEMPERATURE_LOW = "temperature-low"
    NO_ACTIVITY = "no-activity"
    STALLED = "stalled"
    LEAK = "leak"
    SENSOR_SILENT = "sensor-silent"
    SENSOR_FROZEN = "sensor-frozen"
    SENSOR_IMPLAUSIBLE = "sensor-implausible"


NOTICES = frozenset(
    {
        Condition.ACTIVITY,
        Condition.HELD,
        Condition.FINISH_SUSPECTED,
        Condition.STILL_FERMENTING,
        Condition.FINISHED,
        Condition.CHILLED,
        Condition.FINING_DUE,
        Condition.READY,
    }
)
"""Conditions that are told once; all others are alarms with a life cycle."""


OF_THE_VESSEL = frozenset(
    {
        Condition.OVER_PRESSURE,
        Condition.PRESSURE_RISING,
        Condition.SENSOR_SILENT,
        Condition.SENSOR_FROZEN,
        Condition.SENSOR_IMPLAUSIBLE,
    }
)
"""Alarms that concern a vessel whatever is in it."""
OF_THE_BATCH = frozenset(Condition) - NOTICES - OF_THE_VESSEL
"""Alarms that are about a batch and end with it."""


class State(StrEnum):
    """What has become of the condition."""

    RAISED = "raised"
    CLEARED = "cleared"
    NOTED = "noted"


class Priority(StrEnum):
    """How urgent it is; `critical` is over-pressure alone."""

    CRITICAL = "critical"
    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing worth telling. `subject` tells apart alarms of one condition (which sensor is silent)."""

    time_s: float
    vessel: str
    condition: Condition
    state: State
    priority: Priority
    text: str
    subject: str = ""
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    rate_g_per_l_day: float | None = None
    evidence: tuple[str, ...] = ()
