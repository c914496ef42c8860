"""The time that a payload carries, and the rule by which it is refused.

More than 60 s ahead of this machine's clock or more than 30 days behind it is refused. A clock that has not been set
(no clock chip, no network yet) stands before 2025 and can't tell that a time lies ahead: then it is taken as it is.
"""

import math

from ullage.adapters.errors import DataError
from ullage.adapters.payload import RefusedError, json_kind, number_of
from ullage.adapters.reading import Reason
from ullage.adapters.timestamps import format_rfc3339, parse_rfc3339

AHEAD_S = 60.0
"""A payload's own time may lie this far ahead of this machine's clock."""
OLDEST_S = 30 * 86_400.0
"""And this far behind it; longer than a broker is asked to keep a session."""
CLOCK_SET_S = 1_735_689_600.0
"""2025-01-01: a clock before this has not been set."""


def own_time(value: object, now_s: float) -> float:
    """Return Unix seconds of what `time_pointer` found: RFC 3339 text or a number of Unix seconds.

    Raises
    ------
    RefusedError
        If it is neither, or breaks the rule above.
    """
    if isinstance(value, str):
        try:
            time_s = parse_rfc3339(value)
        except DataError as error:
            raise RefusedError(Reason.BAD_TIME, str(error)) from None
    elif isinstance(value, int | float) and not isinstance(value, bool):
        time_s = number_of(value)
    else:
        raise RefusedError(
            Reason.BAD_TIME, f"{json_kind(value)} is neither an RFC 3339 time nor Unix seconds"
        )
    check_time(time_s, now_s)
    return time_s


def check_time(time_s: float, now_s: float) -> None:
    """Refuse a time too far ahead of `now_s` or behind it (Unix seconds)."""
    if not math.isfinite(time_s) or abs(time_s) > 1e11:
        hint = "write seconds, not milliseconds" if math.isfinite(time_s) else ""
        raise RefusedError(Reason.BAD_TIME, f"time {time_s:g} can't be Unix seconds", hint)
    if time_s > now_s + AHEAD_S and now_s >= CLOCK_SET_S:
        ahead = f"{time_s - now_s:.0f} s ahead of this machine's clock; at most {AHEAD_S:.0f} s are allowed"
        raise RefusedError(Reason.BAD_TIME, f"time {format_rfc3339(time_s)} is {ahead}")
    if time_s < now_s - OLDEST_S:
        days = f"{(now_s - time_s) / 86400:.0f} days old; at most {OLDEST_S / 86400:.0f} days are taken"
        raise RefusedError(Reason.BAD_TIME, f"time {format_rfc3339(time_s)} is {days}")
