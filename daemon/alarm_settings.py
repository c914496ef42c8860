"""What a user may say about how alarms are repeated."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, field_validator

from ullage.daemon.alarm_states import Alarm, AlarmState
from ullage.detectors.finding import Priority

_REMIND_AFTER_MIN = {Priority.CRITICAL: 10.0, Priority.HIGH: 240.0, Priority.MEDIUM: 1440.0}
_REALARM_AFTER_H = {Priority.CRITICAL: 1.0, Priority.HIGH: 24.0, Priority.MEDIUM: 72.0}

Period = Annotated[float, Field(gt=0, le=100_000)]


class AlarmSettings(BaseModel):
    """How alarms are repeated until somebody answers."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    remind_after_min: dict[Priority, Period] = Field(default=_REMIND_AFTER_MIN, validate_default=True)
    """Minutes after which an alarm that nobody has acknowledged is told again; never for a priority left out of the
    defaults (low). Over-pressure can't be made quieter than once an hour."""
    remind_returned_min: Period = 60
    """Minutes between reminders of an over-pressure that is over but that nobody has acknowledged."""
    realarm_after_h: dict[Priority, Period] = Field(default=_REALARM_AFTER_H, validate_default=True)
    """Hours after which an acknowledged alarm that still holds asks again."""
    tell_cleared: bool = True
    """Whether the end of an alarm is told."""
    disk_patience_s: Annotated[float, Field(gt=0, le=60)] = 2.0
    """Longest time that a critical message waits for the database."""

    @field_validator("remind_after_min", mode="before")
    @classmethod
    def _remind(cls, given: object) -> object:
        return {**_REMIND_AFTER_MIN, **given} if isinstance(given, dict) else given

    @field_validator("realarm_after_h", mode="before")
    @classmethod
    def _realarm(cls, given: object) -> object:
        return {**_REALARM_AFTER_H, **given} if isinstance(given, dict) else given

    @field_validator("remind_after_min")
    @classmethod
    def _loud(cls, periods: dict[Priority, float]) -> dict[Priority, float]:
        if periods[Priority.CRITICAL] > 60:
            raise ValueError(f"critical {periods[Priority.CRITICAL]:g} min must be at most 60")
        return periods

    def pause_s(self, alarm: Alarm) -> float | None:
        """Return after how many seconds in its state the alarm is told again; None for never."""
        if alarm.state is AlarmState.UNACKNOWLEDGED:
            minutes = self.remind_after_min.get(alarm.priority)
            return None if minutes is None else minutes * 60
        if alarm.state is AlarmState.ACKNOWLEDGED:
            hours = self.realarm_after_h.get(alarm.priority)
            return None if hours is None else hours * 3600
        if alarm.state is AlarmState.RETURNED and alarm.priority is Priority.CRITICAL:
            return self.remind_returned_min * 60
        return None
