"""What every target is: something that takes one letter and answers sent, try again, or give up, because."""

import importlib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Protocol

from ullage.daemon.notify_settings import TargetSettings
from ullage.daemon.wording import Letter

Sort = Mapping[str, str]

TARGETS: Sort = MappingProxyType(
    {
        "apprise": "ullage.daemon.target_apprise:open_target",
        "console": "ullage.daemon.target_console:open_target",
    }
)
"""Kind to the function that makes a target of it; imported only when one is configured. A new kind is one line here
and one word in `TargetSettings.kind`."""


class Outcome(StrEnum):
    """What is to be done next."""

    SENT = "sent"
    TRY_AGAIN = "try-again"
    GIVE_UP = "give-up"


class Reason(StrEnum):
    """Why a message stands as it stands; counted, and kept with its row."""

    SENT = "sent"
    REFUSED = "refused"
    """The target answered, and not with yes."""
    UNREACHABLE = "unreachable"
    TIMED_OUT = "timed-out"
    BROKEN = "broken"
    """The target's own code failed."""
    MISCONFIGURED = "misconfigured"
    SUPERSEDED = "superseded"
    """A reminder or notice that waited until the next one of the same kind."""
    OVERTAKEN = "overtaken"
    """A notice that waited until what it asked for was done, or no longer wanted."""
    TOO_OLD = "too-old"
    """It waited beyond the age at which its priority is given up."""
    """Its target is no longer in the config; others were told instead."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of one try."""

    outcome: Outcome
    reason: Reason
    detail: str = ""
    """A few plain words; never an address."""


SENT = Answer(Outcome.SENT, Reason.SENT)


class Target(Protocol):
    """A place that messages go to. `send` is called from one thread at a time and may block."""

    @property
    def limit(self) -> int:
        """Characters that a body may have."""
        ...

    @property
    def pause_s(self) -> float:
        """Seconds that the target wants between two messages."""
        ...

    @property
    def takes_pictures(self) -> bool:
        """Whether it does anything with a letter's attachments."""
        ...

    @property
    def place(self) -> str:
        """Where it goes, with every secret masked."""
        ...

    def send(self, letter: Letter) -> Answer:
        """Send one letter."""
        ...


def open_target(name: str, settings: TargetSettings) -> Target:
    """Make the target ready to send.

    Raises
    ------
    ConfigError
        If its address is missing, unknown, or leads nowhere.
    """
    kind = "console" if settings.to_console else settings.kind
    module, _, function = TARGETS[kind].partition(":")
    made: Target = getattr(importlib.import_module(module), function)(name, settings)
    return made
