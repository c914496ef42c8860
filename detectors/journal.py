"""The brewer's word: which journal entries the detectors understand, and what each means.

Known entries are those of the log format: `pitched`, `valve set 1.5`, `valve shut`, `valve opened`, `vented`,
`chill 2`, `fined 15`, `tapped`; and of the batch: `stage cold`, `stage undo`, `snooze 12`,
`gravity 1.012 hydrometer`, `batch started`, `batch ended`. A number may carry its unit: `valve set 1.5 bar`. Everything
else is free text, kept but not acted on; so is a known word with a number that can't be.
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
    STAGE = "stage"
    """The brewer sets the stage right; or takes the last change back, with `undo`."""
    SNOOZE = "snooze"
    """Tell again later what is due; hours."""
    GRAVITY = "gravity"
    """A sample by hand: specific gravity, corrected, and what it was measured with."""
    BATCH_STARTED = "batch started"
    BATCH_ENDED = "batch ended"


@dataclass(frozen=True, slots=True)
class Known:
    """A known entry with its number: bar for `valve set`, °C for `chill`, mL for `fined`, h for `snooze`, SG for
    `gravity`; and for `stage` and `gravity` the rest of it."""

    word: Word
    number: float | None = None
    rest: str = ""


UNDO = "undo"
STAGES = (
    "pitched",
    "lag",
    "active",
    "held at pressure",
    "slowing",
    "finished",
    "warm rest",
    "chilling",
    "cold",
    "first fining",
    "second fining",
    "conditioned",
    "on tap",
)
"""Stages of a batch in their order, in the trade's words."""
INSTRUMENTS = ("hydrometer", "refractometer", "float")

_FLAGS = (
    re.IGNORECASE | re.ASCII
)  # without the second, "ſ" counts as s and "İ" as i, and no word is found for them
_NUMBER = r"(-?\d{1,15}(?:[.,]\d{1,15})?)"  # bounded: 400 digits are an infinite number
_PATTERN = re.compile(
    r"(pitched|valve set|valve shut|valve opened|vented|chill|fined|tapped|zero|snooze)"
    rf"(?: {_NUMBER}(?: ?(bar|°?C|mL|h|hours?))?)?",
    _FLAGS,
)
_STAGE = re.compile(rf"stage ({'|'.join((*STAGES, UNDO))})", _FLAGS)
_GRAVITY = re.compile(rf"gravity {_NUMBER}(?: ({'|'.join(INSTRUMENTS)}))?", _FLAGS)
_BATCH = re.compile(r"(batch (?:started|ended))(?:[:,] .*)?", _FLAGS)


@dataclass(frozen=True, slots=True)
class Limits:
    """Which numbers a word may carry, and their unit."""

    low: float
    high: float
    unit: str


LIMITS = {
    Word.VALVE_SET: Limits(0, 10, "bar"),
    Word.CHILL: Limits(-5, 25, "°C"),
    Word.FINED: Limits(0, 100_000, "mL"),
    Word.SNOOZE: Limits(0, 336, "h"),
}
"""Wide enough for any vessel: beyond them somebody has mistyped."""


def understand(text: str) -> Known | None:
    """Return the known entry in `text`, or None for free text. Case and spare blanks don't matter."""
    text = " ".join(text.split())
    if match := _PATTERN.fullmatch(text):
        word, number = Word(match[1].lower()), None if match[2] is None else _number(match[2])
        return Known(word, number) if _can_be(word, number, match[3]) else None
    if match := _STAGE.fullmatch(text):
        return Known(Word.STAGE, rest=match[1].lower())
    if match := _GRAVITY.fullmatch(text):
        gravity = _number(match[1])
        if not 0.985 <= gravity <= 1.2:
            return None
        return Known(Word.GRAVITY, gravity, (match[2] or INSTRUMENTS[0]).lower())
    if match := _BATCH.fullmatch(text):
        return Known(Word(match[1].lower()))
    return None


def mistake(text: str) -> str:
    """Return what is wrong with the number of a known word, in a sentence; empty if nothing is."""
    text = " ".join(text.split())
    if _GRAVITY.fullmatch(text):
        return "" if understand(text) is not None else "`gravity` takes 0.985 to 1.2; in °P: `ullage gravity`"
    match = _PATTERN.fullmatch(text)
    if match is None or match[2] is None:
        return ""
    word = Word(match[1].lower())
    if _can_be(word, _number(match[2]), match[3]):
        return ""
    limits = LIMITS.get(word)
    if limits is None:
        return f"`{word.value}` takes no {match[3]}"
    return f"`{word.value}` takes {limits.low:g} to {limits.high:g} {limits.unit}"


def _can_be(word: Word, number: float | None, unit: str | None) -> bool:
    """Tell whether a word may carry this number with this unit, if any."""
    limits = LIMITS.get(word)
    if limits is None:
        return unit is None
    if unit is not None and unit.lower().lstrip("°")[:1] != limits.unit.lower().lstrip("°")[:1]:
        return False
    return number is None or limits.low <= number <= limits.high


def is_mark(text: str) -> bool:
    """Tell whether an entry is a mark that the program makes itself, where a batch begins or ends."""
    known = understand(text)
    return known is not None and known.word in (Word.BATCH_STARTED, Word.BATCH_ENDED)


def _number(text: str) -> float:
    return float(text.replace(",", "."))
