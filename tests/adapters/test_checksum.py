"""The checksum at the end of a line."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.adapters.checksum import ChecksumRule, line_checksum
from ullage.adapters.payload import RefusedError


def test_a_published_sentence() -> None:
    """A position sentence of NMEA 0183 that is printed in many manuals, with its checksum 47 (from memory)."""
    sentence = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    assert line_checksum(sentence) == 0x47
    assert ChecksumRule("required").strip(sentence + b"*47") == sentence


def test_auto_requires_it_once_seen() -> None:
    """Lines without are taken until the first right one; after that a line without is a damaged one."""
    rule = ChecksumRule("auto")
    assert rule.strip(b"18.4") == b"18.4"
    assert rule.strip(b"18.5*%02X" % line_checksum(b"18.5")) == b"18.5"
    with pytest.raises(RefusedError, match="no checksum"):
        rule.strip(b"18.6")


def test_off_takes_lines_as_they_are() -> None:
    """Somebody may end lines in a star and two digits for reasons of their own."""
    assert ChecksumRule("off").strip(b"18.4*00") == b"18.4*00"


@given(st.binary(min_size=1, max_size=40), st.integers(0), st.integers(1, 255))
def test_any_single_wrong_byte_is_found(content: bytes, place: int, change: int) -> None:
    """One byte changed in any way changes the sum."""
    content = content.removeprefix(b"$").replace(b"$", b"s") or b"x"
    place %= len(content)
    damaged = content[:place] + bytes([content[place] ^ change]) + content[place + 1 :]
    if damaged.startswith(b"$"):
        return  # then the first character no longer counts, which is another line altogether
    with pytest.raises(RefusedError, match="adds up to"):
        ChecksumRule("auto").strip(damaged + b"*%02x" % line_checksum(content))
