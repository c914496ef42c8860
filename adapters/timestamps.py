"""Time stamps as RFC 3339 writes them, to Unix seconds; stricter and wider than the standard library.

`datetime.fromisoformat` takes dates without offset, week dates and 24-hour offsets, and refuses lower-case `t` and
`z` and the leap second; a log that was misread by hours is worse than a row refused, so the syntax is checked first.

References
----------
RFC 3339 sections 5.6 (grammar; its note allows a space in place of T), 5.7 (leap seconds), 4.3 (-00:00).
"""

import re
from datetime import UTC, datetime, timedelta

from ullage.adapters.errors import DataError

_GRAMMAR = re.compile(
    r"(\d{4}-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12]\d|3[01]))[Tt ]"
    r"((?:[01]\d|2[0-3]):[0-5]\d):([0-5]\d|60)(?:\.(\d+))?"
    r"(?:[Zz]|([+-])([01]\d|2[0-3]):([0-5]\d))",
    re.ASCII,
)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_EXAMPLE = "write it like 2026-03-01T06:30:00Z, with Z or an offset such as +01:00"


def parse_rfc3339(text: str) -> float:
    """Return Unix seconds of an RFC 3339 date-time.

    `:60` counts as the first second of the next minute, since Unix time has no leap seconds; `-00:00` is UTC.

    Raises
    ------
    DataError
        If it is not one, with a sentence that says how to write it.

    Examples
    --------
    >>> parse_rfc3339("1970-01-01T00:00:01.5Z")
    1.5
    """
    match = _GRAMMAR.fullmatch(text)
    if match is None:
        raise DataError(f"time {text[:40]!r}", "is not an RFC 3339 date-time", _EXAMPLE)
    day, minute, second, fraction, sign, hours, minutes = match.groups()
    try:
        moment = datetime.fromisoformat(f"{day}T{minute}:00+00:00")
    except ValueError as error:
        raise DataError(f"time {text[:40]!r}", f"names no day ({error})", _EXAMPLE) from error
    seconds = (moment - _EPOCH).total_seconds() + int(second)
    if sign is not None:
        offset_s = int(hours) * 3600 + int(minutes) * 60
        seconds -= offset_s if sign == "+" else -offset_s
    return seconds + float(f"0.{fraction}") if fraction else seconds


def format_rfc3339(time_s: float) -> str:
    """Return a UTC time as RFC 3339, to the millisecond where there is a fraction.

    Raises
    ------
    DataError
        If the time lies outside the years 1 to 9999 or is not finite.
    """
    try:
        moment = _EPOCH + timedelta(milliseconds=round(time_s * 1e3))
    except (OverflowError, ValueError) as error:
        raise DataError(f"time {time_s!r} s", "lies outside the years 1 to 9999") from error
    return moment.isoformat(timespec="milliseconds" if moment.microsecond else "seconds").replace(
        "+00:00", "Z"
    )
