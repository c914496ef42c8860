"""Times as people write and read them; inside the program they are Unix seconds, UTC."""

from datetime import datetime, timedelta

from ullage.adapters.errors import ConfigError, DataError
from ullage.adapters.timestamps import parse_rfc3339
from ullage.daemon.local_time import LocalTime


def local_text(time_s: float, zone: LocalTime, *, seen_s: float | None = None) -> str:
    """Write a time for a person: `Sat 31 Jan 22:04`, or `Sat 31 Jan 2026 22:04` if it is seen in another year.

    In the hour that clocks show twice, the offset tells which is meant.
    """
    then = zone.at(time_s)
    year = "" if seen_s is None or zone.at(seen_s).year == then.year else f" {then.year}"
    twice = any(
        zone.at(time_s + hour_s).replace(tzinfo=None, fold=0) == then.replace(tzinfo=None, fold=0)
        for hour_s in (-3600, 3600)
    )
    return f"{then:%a %d %b}{year} {then:%H:%M}" + (f" {then:%z}" if twice else "")


def parse_time(text: str, zone: LocalTime, what: str) -> float:
    """Read a time that a person typed: RFC 3339, or without offset a local date, or local date and time.

    Raises
    ------
    ConfigError
        If it is neither; `what` says where it was given.
    """
    try:
        return parse_rfc3339(text)
    except DataError:
        pass
    try:
        local = datetime.fromisoformat(text)
    except ValueError:
        hint = "write it like 2026-01-31, 2026-01-31T22:04 or 2026-01-31T22:04:05Z"
        raise ConfigError(what, f"{text!r} is no time", hint) from None
    return local.timestamp() if local.tzinfo else zone.moment_s(local.date(), local.time())


def duration_text(seconds: float) -> str:
    """Write a span of time in the largest units that tell enough: `8 s`, `12 min`, `3 h 5 min`, `2 days 4 h`."""
    span = timedelta(seconds=max(0.0, seconds))
    hours, rest = divmod(span.seconds, 3600)
    if span.days:
        return f"{span.days} day{'s' if span.days > 1 else ''}" + (f" {hours} h" if hours else "")
    if hours:
        return f"{hours} h" + (f" {rest // 60} min" if rest >= 60 else "")
    return f"{rest // 60} min" if rest >= 120 else f"{rest} s"
