"""What a user may say about messages: to whom, when not, and how often. Addresses are secrets."""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, SecretStr, field_validator, model_validator

from ullage.adapters.errors import ConfigError
from ullage.daemon.local_time import LocalTime
from ullage.daemon.quiet_hours import parse_span
from ullage.detectors.finding import Priority

# hide_input_in_errors: a validation error quotes what it was given, and that may be an address
_STRICT = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)


class SecretSource(BaseModel):
    """An address, given in a file or in the environment, there as `url` or under a variable's name of one's own."""

    model_config = _STRICT

    url: SecretStr | None = None
    """The address itself, from the environment; in the configuration's file it is refused."""
    url_file: Path | None = None
    """File that holds the address on its first line."""
    url_env: str | None = None
    """Name of the environment variable that holds the address."""

    @model_validator(mode="after")
    def _one_of(self) -> Self:
        given = [key for key in ("url", "url_file", "url_env") if getattr(self, key) is not None]
        if len(given) > 1:
            raise ValueError(f"give one of {' and '.join(given)}, not both")
        return self

    @property
    def given(self) -> bool:
        """Whether there is an address at all."""
        return self.url is not None or self.url_file is not None or self.url_env is not None

    def read(self, subject: str, environment: Mapping[str, str] | None = None) -> str:
        """Return the address.

        Parameters
        ----------
        subject
            What it is the address of, for the error's sentence.
        environment
            Variables to look in; those of the process by default.

        Raises
        ------
        ConfigError
            If it is not where it should be; the sentence names the place, never the address.
        """
        if self.url is not None:
            return self.url.get_secret_value().strip()
        if self.url_file is not None:
            return self._from_file(subject, self.url_file)
        if self.url_env is None:
            raise ConfigError(subject, "has no address", "give url_file or url_env")
        found = (os.environ if environment is None else environment).get(self.url_env, "").strip()
        if not found:
            raise ConfigError(
                subject, f"the environment variable {self.url_env} is not set", "set it to the address"
            )
        return found

    @staticmethod
    def _from_file(subject: str, path: Path) -> str:
        try:
            lines = path.read_text(encoding="utf-8").strip().splitlines()
        except (OSError, UnicodeDecodeError) as error:
            why = getattr(error, "strerror", None) or "is not text"
            raise ConfigError(
                subject, f"url_file {path} can't be read: {why}", "put the address there"
            ) from None
        if len(lines) != 1:
            raise ConfigError(
                subject, f"url_file {path} holds {len(lines)} lines", "put the address alone there"
            )
        return lines[0].strip()


class TargetSettings(SecretSource):
    """One place that messages go to."""

    name: Annotated[str, Field(max_length=60, pattern=r"^[^\s/]*$")] = ""
    """What log and status call it; by default the file's or variable's name."""
    kind: Literal["apprise", "console"] = "apprise"
    """`apprise` for an address that Apprise knows, `console` to print messages."""
    priorities: tuple[Priority, ...] = tuple(Priority)
    """Which alarms and notices go there."""
    timeout_s: Annotated[float, Field(gt=0, le=120)] = 15
    """Seconds after which a message is taken for not delivered."""
    body_limit: Annotated[int, Field(ge=200, le=10_000)] = 1000
    """Characters in one message; the address's own limit counts if it is lower."""
    pictures: bool = True
    """Whether a picture of the batch comes with the message that fermentation is over, where the service takes any."""

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if not self.given and self.kind == "apprise":
            raise ValueError("needs url_file or url_env (or url) to say where messages go")
        if not self.priorities:
            raise ValueError("priorities must name at least one of critical, high, medium, low")
        return self

    @property
    def to_console(self) -> bool:
        """Whether messages are printed."""
        return self.kind == "console" or (
            self.url is not None and self.url.get_secret_value().startswith("console:")
        )

    @property
    def default_name(self) -> str:
        """A name that says where it goes without saying how."""
        if self.to_console:
            return "console"
        if self.url_file is not None:
            return self.url_file.stem
        return self.url_env.lower() if self.url_env is not None else "target"


class RateLimit(BaseModel):
    """How many messages a target gets at most; what waits meanwhile is merged into one. Critical ones don't wait."""

    model_config = _STRICT

    messages: Annotated[int, Field(ge=1, le=1000)] = 5
    """Messages that may go at once."""
    per_s: Annotated[float, Field(gt=0, le=86_400)] = 60
    """Seconds in which as many may go again."""


class BackOff(BaseModel):
    """Pauses between tries: anything between 0 and the longest pause, which doubles from `first_s` to `longest_s`."""

    model_config = _STRICT

    first_s: Annotated[float, Field(gt=0, le=600)] = 5
    """Longest pause after the first failure."""
    longest_s: Annotated[float, Field(gt=0, le=86_400)] = 900
    """Longest pause after any failure."""
    longest_critical_s: Annotated[float, Field(gt=0, le=3600)] = 60
    """Longest pause while a critical message waits."""


class NotifySettings(BaseModel):
    """Who is told, when not, and how often."""

    model_config = _STRICT

    targets: tuple[TargetSettings, ...] = ()
    quiet_hours: str = ""
    """As "22:00-07:00": everything but critical waits until they end."""
    night: str = "22:00-07:00"
    """Local hours in which what can wait for the morning is held back: reminders, and all notices but that a vessel whose
    valve is shut still ferments; empty for none."""
    timezone: str = ""
    """IANA name of the zone of the quiet hours and of the times in messages; by default the machine's own."""
    rate_limit: RateLimit = RateLimit()
    back_off: BackOff = BackOff()
    give_up_after_h: dict[Literal[Priority.MEDIUM, Priority.LOW], Annotated[float, Field(gt=0)]] = {
        Priority.MEDIUM: 168.0,
        Priority.LOW: 48.0,
    }
    """Age in hours at which a message that could not be sent is dropped; critical and high are tried for ever."""
    late_after_min: Annotated[float, Field(gt=0, le=1440)] = 10
    """Age in minutes from which a message says that it was told late."""

    @field_validator("quiet_hours", "night")
    @classmethod
    def _span(cls, text: str) -> str:
        if text:
            parse_span(text)
        return text

    @field_validator("timezone")
    @classmethod
    def _zone(cls, name: str) -> str:
        try:
            LocalTime.named(name)
        except ConfigError as error:
            raise ValueError(f"{error.detail}; {error.hint}") from None
        return name

    @model_validator(mode="after")
    def _distinct(self) -> Self:
        names = [target.name for target in self.targets if target.name]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f'two targets are named "{twice[0]}"; give each its own name')
        return self

    def named_targets(self) -> tuple[tuple[str, TargetSettings], ...]:
        """Return every target under a name of its own."""
        taken: set[str] = {target.name for target in self.targets if target.name}
        named = []
        for target in self.targets:
            name, count = target.name or target.default_name, 1
            while not target.name and name in taken:
                count += 1
                name = f"{target.default_name}-{count}"
            taken.add(name)
            named.append((name, target))
        return tuple(named)

    def warnings(self) -> tuple[str, ...]:
        """Return sentences on what may be better, for `check` and the log."""
        if any(Priority.CRITICAL in target.priorities for target in self.targets):
            return ()
        return ("notify: no target is told of critical alarms; over-pressure would ring nowhere",)
