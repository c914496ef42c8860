"""RFC 3339 date-times against the RFC's own examples."""

import contextlib
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.adapters.errors import DataError
from ullage.adapters.timestamps import format_rfc3339, parse_rfc3339


def utc(*parts: int) -> float:
    return datetime(*parts, tzinfo=UTC).timestamp()  # type: ignore[arg-type,misc]


@pytest.mark.parametrize(
    ("text", "unix_s"),
    [
        # RFC 3339 section 5.8, all five examples with the UTC equivalents that it states
        ("1985-04-12T23:20:50.52Z", utc(1985, 4, 12, 23, 20, 50) + 0.52),
        ("1996-12-19T16:39:57-08:00", utc(1996, 12, 20, 0, 39, 57)),
        ("1990-12-31T23:59:60Z", utc(1991, 1, 1)),
        ("1990-12-31T15:59:60-08:00", utc(1991, 1, 1)),
        ("1937-01-01T12:00:27.87+00:20", utc(1937, 1, 1, 11, 40, 27) + 0.87),
        # section 4.3: -00:00 is UTC; section 5.6, notes: lower case, a space instead of T
        ("2026-03-01T06:30:00-00:00", utc(2026, 3, 1, 6, 30)),
        ("2026-03-01t06:30:00z", utc(2026, 3, 1, 6, 30)),
        ("2026-03-01 06:30:00Z", utc(2026, 3, 1, 6, 30)),
        ("2026-03-01T06:30:00.123456789Z", utc(2026, 3, 1, 6, 30) + 0.123456789),
        ("2024-02-29T00:00:00+23:59", utc(2024, 2, 28, 0, 1)),
    ],
)
def test_examples_are_read(text: str, unix_s: float) -> None:
    """The examples mean what the RFC says they mean."""
    assert parse_rfc3339(text) == pytest.approx(unix_s, abs=1e-6)


@pytest.mark.parametrize(
    "text",
    [
        "", "2026-03-01", "2026-03-01T06:30:00", "2026-03-01T06:30Z", "2026-W09-7T06:30:00Z", "20260301T063000Z",
        "2026-03-01T24:00:00Z", "2026-03-01T06:60:00Z", "2026-03-01T06:30:61Z", "2026-03-01T06:30:00+24:00",
        "2026-03-01T06:30:00+01", "2026-03-01T06:30:00+0100", "2026-03-01T06:30:00,5Z", "2026-03-01T06:30:00.Z",
        "2026-02-29T00:00:00Z", "2026-13-01T00:00:00Z", "0000-01-01T00:00:00Z", " 2026-03-01T06:30:00Z",
        "2026-03-01T06:30:00Z\n", "٢026-03-01T06:30:00Z", "1772346600",
    ],
)  # fmt: skip
def test_what_the_grammar_has_not_is_refused(text: str) -> None:
    """A stamp without offset, a week date, hour 24 and the like are refused with how to write it."""
    with pytest.raises(DataError, match="write it like 2026-03-01T06:30:00Z"):
        parse_rfc3339(text)


@given(st.integers(-62_135_596_800_000, 253_402_300_799_999))
def test_every_millisecond_survives_writing_and_reading(unix_ms: int) -> None:
    """Formatting and parsing are inverse from year 1 to 9999."""
    assert round(parse_rfc3339(format_rfc3339(unix_ms / 1e3)) * 1e3) == unix_ms


@given(st.datetimes(datetime(1, 1, 2), datetime(9999, 12, 30)), st.timezones())
def test_the_standard_library_agrees(moment: datetime, zone: object) -> None:
    """What `isoformat` writes with an offset of whole minutes is read as the same moment."""
    aware = moment.replace(tzinfo=zone)  # type: ignore[arg-type]
    offset = aware.utcoffset()
    if offset is None or offset.total_seconds() % 60:
        aware = moment.replace(
            tzinfo=UTC
        )  # local mean times of long ago have seconds, which RFC 3339 can't write
    assert parse_rfc3339(aware.isoformat()) == pytest.approx(aware.timestamp(), abs=1e-5)


@given(st.text(max_size=40))
def test_no_text_crashes(text: str) -> None:
    """Any text is read or refused."""
    with contextlib.suppress(DataError):
        assert isinstance(parse_rfc3339(text), float)


@pytest.mark.parametrize("time_s", [float("nan"), float("inf"), 1e18, -1e18])
def test_times_outside_the_calendar_can_not_be_written(time_s: float) -> None:
    """A time that no calendar has is refused rather than crashing."""
    with pytest.raises(DataError, match="outside the years"):
        format_rfc3339(time_s)
