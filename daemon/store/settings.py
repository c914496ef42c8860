"""What a user may say about the store."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field


class StoreSettings(BaseModel):
    """Where readings are kept, for how long, and how often they are written."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    url: str = Field(default="sqlite:///ullage.db", repr=False)
    """Database URL: `sqlite:///file` or `postgresql://user@host/database`. It may hold a password, so it is not
    shown with the other settings."""
    keep_days: Annotated[float, Field(ge=1, le=36500)] = 400
    """Age in days at which single readings give way to 10-minute minimum, mean and maximum."""
    commit_interval_s: Annotated[float, Field(gt=0, le=60)] = 60
    """Seconds between two writes: what a power cut or a kill can cost."""
    max_pending: Annotated[int, Field(ge=1000, le=10_000_000)] = 500_000
    """Readings that wait in memory (16 bytes each) while the database refuses; then the oldest are dropped."""
    free_space_floor_mb: Annotated[float, Field(ge=0, le=100_000_000)] = 100
    """Free space on the file's disk, in millions of bytes, below which readings wait in memory for room while alarms,
    journal and messages are still written; 0 asks for none."""
    busy_timeout_s: Annotated[float, Field(ge=1, le=60)] = 10
    """Seconds to wait for another program that writes to the same SQLite file."""
