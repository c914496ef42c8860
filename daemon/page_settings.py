"""Where the page is served, and who may see it: loopback alone, unless a token is set."""

import ipaddress
from pathlib import Path
from typing import Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from ullage.adapters.errors import ConfigError

LEAST_TOKEN = 22
"""Characters that a token needs: 22 of base64 hold 128 bits."""
_MAKE_ONE = "make one: (umask 077; head -c 24 /dev/urandom | base64 > page-token)"


class PageSettings(BaseModel):
    """Where the page is served; a place that others can reach needs a token."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    host: str = "127.0.0.1"
    port: int = Field(default=8080, ge=0, le=65535)
    token_file: Path | None = None
    """Holds the token alone; whoever knows it may look and act."""
    hosts: tuple[str, ...] = ()
    """Further names under which the page is reached, such as that of a proxy in front of it."""
    read_only: bool = False
    """Whether the page only shows."""

    @model_validator(mode="after")
    def _guarded(self) -> Self:
        if not self.loopback and self.token_file is None:
            raise ValueError(
                f"page.host {self.host} can be reached by others, so page.token_file is needed; {_MAKE_ONE}"
            )
        return self

    @property
    def loopback(self) -> bool:
        """Whether only this machine can reach it."""
        if self.host == "localhost":
            return True
        try:
            return ipaddress.ip_address(self.host.strip("[]")).is_loopback
        except ValueError:
            return False

    def token(self) -> str | None:
        """Return the token; None where none is set.

        Raises
        ------
        ConfigError
            If its file can't be read or holds too little.
        """
        if self.token_file is None:
            return None
        try:
            token = self.token_file.read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            reason = error.strerror if isinstance(error, OSError) else "it is no text"
            raise ConfigError(
                "page.token_file", f"{self.token_file} can't be read: {reason}", _MAKE_ONE
            ) from None
        if len(token) < LEAST_TOKEN or not token.isascii() or not token.isprintable() or len(set(token)) < 8:
            raise ConfigError(
                "page.token_file",
                f"{self.token_file} must hold at least {LEAST_TOKEN} signs drawn by lot",
                _MAKE_ONE,
            )
        return token
