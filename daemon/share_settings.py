"""What a user may say about sharing the vessels with other daemons."""

import socket
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field


class ShareSettings(BaseModel):
    """Several daemons, one PostgreSQL database, the same configuration in each: they share the vessels out."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: Annotated[str, Field(max_length=60)] = ""
    """What this daemon is called among the others; no two may be called the same. Empty takes the machine's name."""

    def named(self) -> str:
        """Return the name."""
        return self.name or this_machine()


def this_machine() -> str:
    """Return the machine's name, as a daemon is called by it."""
    return socket.gethostname()[:60] or "ullage"
