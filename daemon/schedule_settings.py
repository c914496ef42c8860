"""What a user may say about things that come round by themselves."""

from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from ullage.daemon.local_time import parse_time_of_day
from ullage.daemon.notify_settings import SecretSource


class BeaconSettings(SecretSource):
    """Where the outside watcher listens, and how often it is told."""

    every_s: Annotated[float, Field(ge=60, le=300)] = 300
    """Seconds between two beats; have the watcher ring after three are missing."""
    method: Literal["GET", "POST", "HEAD"] = "GET"
    timeout_s: Annotated[float, Field(gt=0, le=60)] = 10

    @model_validator(mode="after")
    def _somewhere(self) -> Self:
        if not self.given:
            raise ValueError("needs url_file or url_env (or url) to say where the watcher listens")
        return self


class ScheduleSettings(BaseModel):
    """When things that come round by themselves come round."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)

    daily_digest: str = "08:00"
    """Local time of the daily line on how all vessels are; empty for none."""
    retention_at: str = "03:40"
    """Local time at which old readings are thinned out and old messages deleted."""
    heartbeat: BeaconSettings | None = None
    """Where a watcher outside is told that all is well."""
    tick_s: Annotated[float, Field(gt=0, le=10)] = 1
    """How often acknowledgements given elsewhere are noticed."""

    @field_validator("daily_digest")
    @classmethod
    def _digest(cls, text: str) -> str:
        if text:
            parse_time_of_day(text)
        return text

    @field_validator("retention_at")
    @classmethod
    def _retention(cls, text: str) -> str:
        parse_time_of_day(text)
        return text
