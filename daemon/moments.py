"""A moment as a brewer at a keyboard says it: `20 minutes ago`, `an hour ago`, `18:30`, `yesterday 18:30`, or a full time."""

import re
from datetime import datetime, time, timedelta

from ullage.adapters.errors import ConfigError
from ullage.daemon.local_time import LocalTime, parse_time_of_day
from ullage.daemon.times import parse_time

FUTURE_S = 60.0
"""How far ahead a moment may lie: no further than clocks differ."""
PAST_S = 10 * 365 * 86_400.0
"""How far back: no batch is older, so whoever says more has mistyped."""
_AGO = re.compile(
    r"(half an?\b|an?\b|\d+(?:[.,]\d+)?)\s*(s|sec|seconds?|m|min|mins|minutes?|h|hours?|d|days?)\s+ago",
    re.IGNORECASE,
)
_OFFSET = re.compile(r"(?:z|[+-]\d{2}:?\d{2})$", re.IGNORECASE)
_WORDS = {"half": 0.5, "a": 1.0, "an": 1.0}
_UNITS_S = {"s": 1.0, "m": 60.0, "h": 3600.0, "d": 86_400.0}
_CLOCK = re.compile(r"(?:(today|yesterday)\s+)?(?:at\s+)?(\d{1,2}[:.]\d{2})", re.IGNORECASE)
_HINT = "write it like `20 minutes ago`, 18:30, `yesterday 18:30`, 2026-01-31T22:04 or 2026-01-31T22:04:05Z"


def parse_moment(text: str, zone: LocalTime, now_s: float, what: str) -> float:
    """Return the moment that was meant, Unix seconds.

    A time of day is the latest such moment that is not in the future: today's, or yesterday's where today's is yet to
    come; on the day on which clocks show it twice, the later one if that has passed.

    Raises
    ------
    ConfigError
        If it is none, lies in the future or ten years back, or in the hour over which clocks were set forward; `what` says
        where it was given.
    """
    moment_s = _said(text.strip(), zone, now_s, what)
    if moment_s > now_s + FUTURE_S:
        raise ConfigError(what, f"{text!r} lies in the future", "the journal is for what has happened")
    if moment_s < now_s - PAST_S:
        raise ConfigError(what, f"{text!r} lies more than ten years back", _HINT)
    return moment_s


def _said(text: str, zone: LocalTime, now_s: float, what: str) -> float:
    if text.lower() == "now":
        return now_s
    if match := _AGO.fullmatch(text):
        word = match[1].lower().split()[0]
        many = _WORDS[word] if word in _WORDS else float(word.replace(",", "."))
        return now_s - many * _UNITS_S[match[2][0].lower()]
    if match := _CLOCK.fullmatch(text):
        return _clock_s(match[2].replace(".", ":"), (match[1] or "").lower(), zone, now_s, what)
    try:
        first_s = parse_time(text, zone, what)
    except ConfigError:
        raise ConfigError(what, f"{text!r} is no time", _HINT) from None
    if _OFFSET.search(text):
        return first_s
    local = zone.at(first_s)
    if len(text) > len(
        "2026-01-31"
    ):  # a date alone means the first moment of its day, whatever clocks showed
        _refuse_skipped(text, local, datetime.fromisoformat(text).time(), what)
    second_s = zone.moment_s(
        local.date(), local.time().replace(fold=1)
    )  # the same, but where clocks show it twice
    return second_s if first_s < second_s <= now_s + FUTURE_S else first_s


def _clock_s(text: str, day: str, zone: LocalTime, now_s: float, what: str) -> float:
    try:
        of_day = parse_time_of_day(text)
    except ValueError:
        raise ConfigError(what, f"{text!r} is no time of day", _HINT) from None
    today = zone.at(now_s).date()
    days = {"today": (0,), "yesterday": (1,), "": (0, 1)}[day]
    for back in days:
        date = today - timedelta(days=back)
        # twice in the night in which clocks are set back
        moments = {zone.moment_s(date, of_day), zone.moment_s(date, of_day.replace(fold=1))}
        past = [moment_s for moment_s in moments if moment_s <= now_s + FUTURE_S]
        if past:
            _refuse_skipped(text, zone.at(max(past)), of_day, what)
            return max(past)
    return zone.moment_s(today, of_day)


def _refuse_skipped(text: str, local: datetime, wanted: time, what: str) -> None:
    """Refuse a time that no clock has shown: another one taken for it would be put down in silence."""
    if (local.hour, local.minute) != (wanted.hour, wanted.minute):
        day = local.date().isoformat()
        raise ConfigError(
            what,
            f"{text!r} is in the hour over which clocks were set forward on {day}",
            "give the time that they showed",
        )
