"""Payload bytes to plain structures, with caps on size and depth: nothing that a sender writes may crash this.

The traps of the standard library that are shut here (each tried): `json` takes NaN, Infinity, 1e999 and repeated keys,
recurses until it dies on 100,000 brackets, and raises a bare ValueError on an integer of 5,000 digits; `float` takes
`nan`, `1_000` and digits of other scripts.
"""

import json
import re
from collections import Counter
from typing import Any

from ullage.adapters.entry_units import in_canonical_units
from ullage.adapters.errors import DataError
from ullage.adapters.printable import printable
from ullage.adapters.reading import Reason

MAX_BYTES = 16 * 1024
MAX_DEPTH = 8
MAX_TEXT = 200
"""Characters of a journal entry."""

# after digits the dot is asked for before more digits may come: `[0-9]+\.?[0-9]*` tries every way to share digits out,
# which took 7 s for 16,000 of them
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_NUMBER_BYTES = re.compile(
    rb"[ \t\r\n]*([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)[ \t\r\n]*"
)
_JSON_STRING = re.compile(rb'"(?:[^"\\]|\\.)*"?', re.DOTALL)
_BRACKET = re.compile(rb"[\[{\]}]")
_PAIR_BREAK = re.compile(r"[\s,;]+")


class RefusedError(DataError):
    """A payload, or a value in it, that gives no reading; `reason` is what gets counted."""

    def __init__(self, reason: Reason, detail: str, hint: str = "") -> None:
        super().__init__("", detail, hint)
        self.reason = reason


def check_size(payload: bytes) -> None:
    """Refuse a payload of more than 16 KiB."""
    if len(payload) > MAX_BYTES:
        # how many more is not said: a source may hand over no more than shows that it is too long
        raise RefusedError(Reason.TOO_LONG, f"the payload has more than {MAX_BYTES} bytes")


def number_of_bytes(payload: bytes) -> float:
    """Return the number that a payload is; white space around it does not matter. May be infinite for 1e999."""
    match = _NUMBER_BYTES.fullmatch(payload)
    if match is None:
        raise _not_a_number(printable(payload))
    return float(match[1])


def number_of(value: object) -> float:
    """Return the number that a JSON value or a field is; a quoted number counts. May be infinite for 1e999."""
    if isinstance(value, float):
        return value
    if isinstance(value, str) and _NUMBER.fullmatch(value.strip()):
        return float(value)
    if isinstance(value, int) and not isinstance(value, bool):
        try:
            return float(value)
        except OverflowError:
            raise RefusedError(Reason.NOT_A_NUMBER, "the integer is too large to be a measurement") from None
    raise _not_a_number(f"{value:.40}" if isinstance(value, str) else json_kind(value))


def _not_a_number(shown: str) -> RefusedError:
    if not shown.strip():
        return RefusedError(Reason.NOT_A_NUMBER, "the value is empty")
    hint = "write a decimal point, not a comma" if re.fullmatch(r"[+-]?\d+,\d+", shown.strip()) else ""
    return RefusedError(
        Reason.NOT_A_NUMBER, f"{printable(shown.encode('utf-8', 'replace'))!r} is not a number", hint
    )


def json_kind(value: object) -> str:
    """Name a JSON value that is no number, for a sentence."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return "an array"
    return "octets" if isinstance(value, bytes) else "text"


def text_of(value: object) -> str:
    """Return the text that a journal value is: one printable line of at most 200 characters, trimmed, in canonical units."""
    if not isinstance(value, str):
        raise RefusedError(Reason.UNDECODABLE, f"{json_kind(value)} is not the text of a journal entry")
    text = value.strip()
    if not text:
        raise RefusedError(Reason.UNDECODABLE, "the journal entry is empty")
    if len(text) > MAX_TEXT:
        raise RefusedError(
            Reason.TOO_LONG, f"the journal entry has {len(text)} characters; at most {MAX_TEXT}"
        )
    if not text.isprintable():
        raise RefusedError(Reason.UNDECODABLE, "the journal entry has control characters or line breaks")
    return in_canonical_units(text)


def utf8(payload: bytes) -> str:
    """Decode strictly; a byte order mark in front is dropped."""
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError as error:
        raise RefusedError(Reason.UNDECODABLE, f"byte {error.start + 1} is not UTF-8") from None
    return text.removeprefix("\ufeff")


def json_document(payload: bytes) -> object:
    """Read strict JSON: no NaN, no repeated member, at most 8 levels deep."""
    _check_depth(payload)
    text = utf8(payload)
    try:
        document: object = _READER.decode(text)
    except RefusedError:
        raise
    except json.JSONDecodeError as error:
        detail = f"is not JSON: {error.msg} at character {error.pos + 1}"
        raise RefusedError(Reason.UNDECODABLE, f"the payload {detail}") from None
    except (
        ValueError,
        RecursionError,
    ) as error:  # an integer of more digits than Python converts; depth is capped
        raise RefusedError(Reason.UNDECODABLE, f"the payload holds what no sensor sends ({error})") from None
    return document


def _check_depth(payload: bytes) -> None:
    if payload.count(b"[") + payload.count(b"{") <= MAX_DEPTH:
        return
    depth = 0
    for bracket in _BRACKET.findall(_JSON_STRING.sub(b"", payload)):
        depth += 1 if bracket in b"[{" else -1
        if depth > MAX_DEPTH:
            raise RefusedError(Reason.UNDECODABLE, f"the payload nests deeper than {MAX_DEPTH} levels")


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) != len(pairs):
        twice = Counter(name for name, _ in pairs).most_common(1)[0][0]
        raise RefusedError(Reason.UNDECODABLE, f"the payload has the member {twice[:40]!r} twice")
    return members


def _no_constant(text: str) -> object:
    raise RefusedError(Reason.NOT_A_NUMBER, f"the payload holds {text}, which is not JSON")


# made once: json.loads with hooks would build a decoder for every payload
_READER = json.JSONDecoder(object_pairs_hook=_unique, parse_constant=_no_constant)


def pairs(text: str) -> dict[str, str]:
    """Take `beer=18.4, top=1.21` apart; words without `=` between the pairs are passed over."""
    found: dict[str, str] = {}
    line = (
        " ".join(text.split()).replace(" =", "=").replace("= ", "=")
    )  # a pattern would go quadratic on blanks
    for word in _PAIR_BREAK.split(line):
        key, equals, value = word.partition("=")
        if not equals:
            continue
        if key in found:
            raise RefusedError(Reason.UNDECODABLE, f"the key {key[:40]!r} stands there twice")
        found[key] = value
    if not found:
        raise RefusedError(Reason.UNDECODABLE, "there is no key=value pair")
    return found


def columns(text: str, delimiter: str = "") -> list[str]:
    """Cut a line at its delimiter; if none is declared: semicolon, tab or comma, whichever it has, else white space."""
    line = text.strip("\r\n")
    mark = delimiter or next((mark for mark in ";\t," if mark in line), "")
    if not mark or mark == " ":
        return line.split()
    return [field.strip() for field in line.split(mark)]
