"""What a source of kind `mqtt` is told: where the broker is, who we are, and how long the session is kept."""

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal, Self

LONGEST_EXPIRY_S = 0xFFFFFFFF
"""MQTT 5 section 3.1.2.11.2: this value means that the session never ends."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttSettings:
    """One broker. The password never shows in a repr."""

    __pydantic_config__ = {"extra": "forbid"}  # noqa: RUF012 - read by the daemon's validation, never written

    host: str = "localhost"
    port: int = 0
    """0 takes 1883, or 8883 with TLS."""
    client_id: str = ""
    """The broker keeps the session under this name, so it must stay the same and be nobody else's.

    Empty takes `ullage-` and the name of the source: set it when two machines watch through one broker.
    """
    username: str = ""
    password: str = field(default="", repr=False)
    password_file: Path | None = None
    """Read at every connection, instead of `password`."""
    tls: bool = False
    """The broker's certificate is always verified."""
    ca_file: Path | None = None
    """PEM file of the authority that signed it, if the system does not know that one."""
    certificate_file: Path | None = None
    """Our own certificate (PEM), where the broker asks for one."""
    key_file: Path | None = None
    protocol: Literal["auto", "v5", "v3.1.1"] = "auto"
    """auto begins with 5 and falls back to 3.1.1 when the broker refuses it."""
    keep_alive_s: int = 30
    session_expiry_s: int = 14 * 86_400
    """How long the broker keeps what arrives while we are away (MQTT 5; with 3.1.1 the broker decides)."""
    receive_maximum: int = 500
    """Messages that the broker may send before the first is acknowledged (MQTT 5)."""
    status_topic: str = "ullage/{client_id}/status"
    """Holds `online` or `offline`, retained; the broker itself writes `offline` when we die. Empty: none."""
    connect_timeout_s: float = 4.0
    first_pause_s: float = 1.0
    longest_pause_s: float = 60.0
    """Pauses between tries to connect double from the first to the longest, each drawn at random below that."""

    def __post_init__(self) -> None:
        if not self.host:
            raise ValueError("host must not be empty")
        for name, value, least, most in (
            ("port", self.port, 0, 65_535),
            ("keep_alive_s", self.keep_alive_s, 2, 65_535),
            ("receive_maximum", self.receive_maximum, 1, 65_535),
            ("session_expiry_s", self.session_expiry_s, 0, LONGEST_EXPIRY_S),
        ):
            if not least <= value <= most:
                raise ValueError(f"{name} {value} must lie between {least} and {most}")
        if self.connect_timeout_s <= 0 or self.first_pause_s < 0 or self.longest_pause_s < self.first_pause_s:
            raise ValueError(
                "connect_timeout_s must be above 0, longest_pause_s not below first_pause_s, that not below 0"
            )
        if self.password and self.password_file is not None:
            raise ValueError("password and password_file are both given; keep one")
        if (self.password or self.password_file is not None) and not self.username:
            raise ValueError("a password needs a username")
        if not self.tls and (self.ca_file or self.certificate_file or self.key_file):
            raise ValueError("ca_file, certificate_file and key_file need tls: true")
        if (self.certificate_file is None) != (self.key_file is None):
            raise ValueError("certificate_file and key_file need each other")
        if any(mark in self.status_topic for mark in "+#\0"):
            raise ValueError(f"status_topic {self.status_topic!r} must be a topic without + and #")

    def session_name(self, source: str) -> str:
        """Return the name under which the broker keeps the session."""
        return self.client_id or f"ullage-{source}"

    def for_part(self, source: str, number: int) -> Self:
        """Return the settings of the session of one part of the vessels."""
        return replace(self, client_id=f"{self.session_name(source)}-part-{number}")

    def actual_port(self) -> int:
        """Return the port, the usual one if none was given."""
        return self.port or (8883 if self.tls else 1883)
