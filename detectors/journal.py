"""The brewer's word: which journal entries the detectors understand, and what each means.

Known entries are those of the log format: `pitched`, `valve set 1.5`, `valve shut`, `valve opened`, `vented`,
`chill 2`, `fined 15`, `tapped`. Everything else is free text, kept but not acted on.
"""

import re
from dataclasses import dataclass
from enum import Enum


class Word(Enum):
    """A known entry."""

    PITCHED = "pitched"
    VALVE_SET = "valve set"
    VALVE_SHUT = "valve shut"
    VALVE_OPENED = "valve opened"
    VENTED = "vented"
    CHILL = "chill"
    FINED = "fined"
    TAPPED = "tapped"
    ZERO = "zero"
    """The vessel stands open: what the pressure sensor shows now is its zero."""


@dataclass(frozen=True, slots=True)
class Known:
    """A known entry with its number: bar for `valve set`, °C for `chill`, mL for `fined`."""

    word: Word
    number: float | None = None


_PATTERN = re.compile(
    r"(pitched|valve set|valve shut|valve opened|vented|chill|fined|tapped|zero)(?:\s+(-?\d+(?:[.,]\d+)?))?\b",
    re.IGNORECASE,
)


def understand(text: str) -> Known | None:
    """Return the known entry in `text`, or None for free text. Case and spare blanks don't matter."""
    match = _PATTERN.fullmatch(" ".join(text.split()))
    if match is None:
        return None
    number = None if match[2] is None else float(match[2].replace(",", "."))
    return Known(Word(match[1].lower()), number)
