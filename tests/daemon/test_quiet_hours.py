"""Quiet hours and local time, across midnight and across the nights on which clocks are set.

The dates of the changes are those of the IANA time zone database (Europe/Berlin 2026: forward on 29 March at 02:00,
back on 25 October at 03:00; America/New_York 2026: 8 March and 1 November).
"""

from datetime import UTC, datetime, time, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.adapters.errors import ConfigError
from ullage.daemon.local_time import LocalTime, parse_time_of_day
from ullage.daemon.quiet_hours import QuietHours, parse_span

BERLIN = LocalTime.named("Europe/Berlin")
NEW_YORK = LocalTime.named("America/New_York")


def _at(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def _quiet_minutes(quiet: QuietHours, start: str, hours: int) -> int:
    begin_s = _at(start)
    return sum(quiet.until_s(begin_s + 60 * minute) is not None for minute in range(hours * 60))


def test_quiet_from_evening_to_morning() -> None:
    """A span across midnight holds on both sides of it, from its first minute up to but without its last."""
    quiet = QuietHours.parse("22:00-07:00", BERLIN)
    end_s = _at("2026-06-11T07:00+02:00")
    assert quiet.until_s(_at("2026-06-10T22:00+02:00")) == end_s
    assert quiet.until_s(_at("2026-06-11T00:30+02:00")) == end_s
    assert quiet.until_s(_at("2026-06-11T06:59:59+02:00")) == end_s
    assert quiet.until_s(end_s) is None
    assert quiet.until_s(_at("2026-06-10T21:59:59+02:00")) is None


def test_quiet_within_a_day() -> None:
    """A span that starts before it ends holds within one day only."""
    quiet = QuietHours.parse("13:00-15:00", BERLIN)
    assert quiet.until_s(_at("2026-06-10T14:00+02:00")) == _at("2026-06-10T15:00+02:00")
    assert quiet.until_s(_at("2026-06-10T22:00+02:00")) is None


@pytest.mark.parametrize(
    ("zone", "start", "hours"),
    [
        (BERLIN, "2026-03-28T12:00+01:00", 8),
        (BERLIN, "2026-10-24T12:00+02:00", 10),
        (BERLIN, "2026-06-10T12:00+02:00", 9),
        (NEW_YORK, "2026-03-07T12:00-05:00", 8),
        (NEW_YORK, "2026-10-31T12:00-04:00", 10),
    ],
)
def test_a_night_is_as_long_as_its_clocks_make_it(zone: LocalTime, start: str, hours: int) -> None:
    """From 22:00 to 07:00 pass 8 hours in the night clocks go forward, 10 when they go back, else 9."""
    assert _quiet_minutes(QuietHours.parse("22:00-07:00", zone), start, 24) == hours * 60


def test_an_end_that_comes_twice_counts_once() -> None:
    """On 25 October 2026 it is 02:30 twice in Berlin; the quiet span ends at the first and does not start again."""
    quiet = QuietHours.parse("22:00-02:30", BERLIN)
    assert quiet.until_s(_at("2026-10-25T01:59+02:00")) == _at("2026-10-25T02:30+02:00")
    assert quiet.until_s(_at("2026-10-25T02:15+01:00")) is None


def test_an_end_that_never_comes_is_passed() -> None:
    """On 29 March 2026 there is no 02:30 in Berlin; the span ends when half an hour past 02:00 has gone by."""
    quiet = QuietHours.parse("22:00-02:30", BERLIN)
    assert quiet.until_s(_at("2026-03-29T01:59+01:00")) == _at("2026-03-29T03:30+02:00")
    assert quiet.until_s(_at("2026-03-29T03:30+02:00")) is None


def test_a_daily_moment_comes_once_a_day_through_a_year() -> None:
    """02:30 in Berlin comes exactly once for each local day of 2026, though one day has none and one has two."""
    moment_s, days = _at("2026-01-01T00:00+01:00"), []
    while True:
        moment_s = BERLIN.next_s(time(2, 30), moment_s)
        day = BERLIN.at(moment_s).date()
        if day.year > 2026:
            break
        days.append(day)
    assert len(days) == len(set(days)) == 365


@given(
    moment_s=st.floats(min_value=1.7e9, max_value=1.9e9),
    start=st.times(),
    length_min=st.integers(min_value=1, max_value=23 * 60),
)
def test_quiet_ends_at_the_end_that_is_written(moment_s: float, start: time, length_min: int) -> None:
    """In a zone without changes, quiet at a moment means that the time of day lies in the span, and nothing else."""
    begin = datetime(2026, 1, 1, start.hour, start.minute, tzinfo=UTC)
    end = begin + timedelta(minutes=length_min)
    quiet = QuietHours.parse(f"{begin:%H:%M}-{end:%H:%M}", LocalTime.named("UTC"))
    minute_of_day = moment_s % 86_400 / 60
    inside = (minute_of_day - (start.hour * 60 + start.minute)) % 1440 < length_min
    until_s = quiet.until_s(moment_s)
    assert (until_s is not None) == inside
    if until_s is not None:
        assert moment_s < until_s <= moment_s + length_min * 60
        assert f"{datetime.fromtimestamp(until_s, UTC):%H:%M}" == f"{end:%H:%M}"


@pytest.mark.parametrize(
    "text", ["22-7", "22:00", "25:00-07:00", "22:00-22:00", "22:60-07:00", "a:00-b:00", "-"]
)
def test_a_span_that_is_none_is_refused(text: str) -> None:
    """What can't be read as a span is refused with words that show how to write it."""
    with pytest.raises(ValueError, match=r"HH:MM|same time|between"):
        parse_span(text)


def test_time_of_day_is_read() -> None:
    """Hours may have one digit, minutes have two."""
    assert parse_time_of_day("8:05") == time(8, 5)


def test_an_unknown_zone_is_a_configuration_error() -> None:
    """A zone that is not in the database is named, with what to do."""
    with pytest.raises(ConfigError, match="Moon/Base"):
        LocalTime.named("Moon/Base")


def test_the_machines_own_zone_is_used_without_a_name() -> None:
    """Without a name local time is what the system says."""
    now_s = _at("2026-06-10T14:00+00:00")
    assert LocalTime.named().at(now_s) == datetime.fromtimestamp(now_s).astimezone()
