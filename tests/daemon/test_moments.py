"""Moments as a brewer says them."""

import pytest

from ullage.adapters.errors import ConfigError
from ullage.adapters.timestamps import parse_rfc3339
from ullage.daemon.local_time import LocalTime
from ullage.daemon.moments import parse_moment
from ullage.daemon.times import local_text

BERLIN = LocalTime.named("Europe/Berlin")


def moment(text: str, now: str, zone: LocalTime = BERLIN) -> float:
    """Return seconds between now and the moment, negative for the past."""
    now_s = parse_rfc3339(now)
    return parse_moment(text, zone, now_s, "--at") - now_s


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("20 minutes ago", 1200),
        ("1.5 h ago", 5400),
        ("3 days ago", 259_200),
        ("90 s ago", 90),
        ("2min ago", 120),
        ("1,5 h ago", 5400),
        ("an hour ago", 3600),
        ("Half an hour ago", 1800),
        ("half a day ago", 43_200),
        ("a minute ago", 60),
        ("now", 0),
    ],
)
def test_ago_is_counted_back(text: str, seconds: float) -> None:
    """By seconds that pass, whatever clocks show."""
    assert moment(text, "2026-06-01T12:00:00Z") == -seconds


@pytest.mark.parametrize(
    ("text", "now", "meant"),
    [
        ("18:30", "2026-06-01T17:00:00Z", "2026-06-01T16:30:00Z"),
        ("18:30", "2026-06-01T12:00:00Z", "2026-05-31T16:30:00Z"),
        ("18.30", "2026-06-01T17:00:00Z", "2026-06-01T16:30:00Z"),
        ("at 18:30", "2026-06-01T17:00:00Z", "2026-06-01T16:30:00Z"),
        ("yesterday at 8.05", "2026-06-01T17:00:00Z", "2026-05-31T06:05:00Z"),
        ("today 13:59", "2026-06-01T12:00:00Z", "2026-06-01T11:59:00Z"),
        ("yesterday 18:30", "2026-06-01T17:00:00Z", "2026-05-31T16:30:00Z"),
        # clocks went forward at 01:00 UTC on 2026-03-29 (Directive 2000/84/EC: last Sunday of March)
        ("01:30", "2026-03-29T03:00:00Z", "2026-03-29T00:30:00Z"),
        ("04:00", "2026-03-29T03:00:00Z", "2026-03-29T02:00:00Z"),
        # and back on 2026-10-25: 02:30 comes twice, at 00:30 and 01:30 UTC
        ("02:30", "2026-10-25T00:45:00Z", "2026-10-25T00:30:00Z"),
        ("02:30", "2026-10-25T05:00:00Z", "2026-10-25T01:30:00Z"),
        ("02:30", "2026-10-26T00:00:00Z", "2026-10-25T01:30:00Z"),
        ("2026-01-31T22:04", "2026-06-01T12:00:00Z", "2026-01-31T21:04:00Z"),
        ("2026-01-31T22:04:05Z", "2026-06-01T12:00:00Z", "2026-01-31T22:04:05Z"),
    ],
)
def test_a_clock_time_is_the_latest_that_has_passed(text: str, now: str, meant: str) -> None:
    """Today's, or yesterday's; in the nights in which clocks are set too."""
    assert moment(text, now) == parse_rfc3339(meant) - parse_rfc3339(now)


@pytest.mark.parametrize(
    "text",
    [
        "today 23:00",
        "2026-07-01",
        "25:00",
        "18.3",
        "24.30",
        "soon",
        "ahour ago",
        "minutes ago",
        "-5 minutes ago",
        "in 5 min",
    ],
)
def test_what_is_no_moment_is_refused(text: str) -> None:
    """The future too: the journal is for what has happened."""
    with pytest.raises(ConfigError, match="--at"):
        moment(text, "2026-06-01T12:00:00Z")


def test_an_hour_that_clocks_show_twice_is_the_later_one_that_has_passed_and_shows_its_offset() -> None:
    """By the time of day alone or with its date: the same moment."""
    berlin = LocalTime.named("Europe/Berlin")
    later_s = 1_792_891_800.0  # 2026-10-25T02:30+01:00
    for text in ("02:30", "2026-10-25T02:30"):
        assert parse_moment(text, berlin, later_s + 60, "--at") == later_s
        assert parse_moment(text, berlin, later_s - 1800, "--at") == later_s - 3600
    assert parse_moment("2026-10-25T02:30+02:00", berlin, later_s + 60, "--at") == later_s - 3600
    assert local_text(later_s, berlin) == "Sun 25 Oct 02:30 +0100"
    assert local_text(later_s - 3600, berlin) == "Sun 25 Oct 02:30 +0200"
    assert local_text(later_s + 3600, berlin) == "Sun 25 Oct 03:30"


@pytest.mark.parametrize("text", ["02:30", "today 02:30", "2026-03-29T02:30", "2026-03-29 02:00"])
def test_an_hour_that_clocks_skip_is_refused(text: str) -> None:
    """On 29 March 2026 clocks go from 02:00 to 03:00 in Berlin: what was meant nobody knows, and nothing is put down for it."""
    with pytest.raises(ConfigError, match="clocks were set forward on 2026-03-29"):
        moment(text, "2026-03-29T10:00:00+02:00")


def test_around_the_hour_that_clocks_skip_all_is_as_usual() -> None:
    """01:59 and 03:00 of that night, and the same time of day on the next."""
    assert moment("01:59", "2026-03-29T10:00:00+02:00") == -(7 * 60 + 1) * 60
    assert moment("2026-03-29T03:00", "2026-03-29T10:00:00+02:00") == -7 * 3600
    assert moment("02:30", "2026-03-30T10:00:00+02:00") == -7.5 * 3600
    assert moment("2026-09-06", "2026-09-06T10:00:00-03:00", LocalTime.named("America/Santiago")) == -9 * 3600
