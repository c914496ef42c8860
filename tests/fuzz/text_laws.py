"""Short texts: time stamps, alone and in bulk, decimals in bulk, and the entries of a journal."""

import math
from collections.abc import Sequence
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from tests.fuzz.target import Target, tells
from ullage.adapters.errors import DataError
from ullage.adapters.log_rows import Refused, parse_number
from ullage.adapters.log_words import PAD, read_decimals, read_times, words_of
from ullage.adapters.timestamps import format_rfc3339, parse_rfc3339
from ullage.detectors.journal import INSTRUMENTS, STAGES, UNDO, understand

_MOST_DAYS_S = 86_400.0


def times(data: bytes) -> None:
    """Every stamp is read as the standard library reads it, or refused; in bulk as one by one."""
    fields = data.split(b",")[:64]
    parsed = [_time(field) for field in fields]
    block, start, stop = _placed(fields)
    bulk, sure = read_times(words_of(block), start, stop)
    for one, other, certain in zip(parsed, bulk.tolist(), sure.tolist(), strict=True):
        assert not certain or one == other, "in bulk as one by one, to the last bit"


def _time(field: bytes) -> float | None:
    text = field.decode("utf-8", "replace")
    try:
        time_s = parse_rfc3339(text)
    except DataError as error:
        tells(error)
        return None
    assert math.isfinite(time_s)
    usual = text.upper().replace("Z", "+00:00")
    if usual[17:19] != "60" and len(usual.partition(".")[2]) <= 12:
        assert abs(time_s - datetime.fromisoformat(usual).timestamp()) < 1e-5
    try:
        written = format_rfc3339(time_s)
    except DataError:
        assert text[:4] in ("0001", "9999"), "only an offset leads out of the calendar"
        return time_s
    assert abs(parse_rfc3339(written) - time_s) < 0.001
    return time_s


def decimals(data: bytes) -> None:
    """Every number that the fast path is sure of is the one that Python's own conversion gives."""
    fields = data.split(b",")[:64]
    block, start, stop = _placed(fields)
    bulk, sure = read_decimals(words_of(block), block, start, stop)
    for field, value, certain in zip(fields, bulk.tolist(), sure.tolist(), strict=True):
        strict = parse_number(field.decode("utf-8", "replace"))
        if not isinstance(strict, Refused):
            assert math.isfinite(strict)
            assert strict == float(field)
        else:
            assert strict.sentence.isprintable()
        if certain:
            assert not isinstance(strict, Refused)
            assert math.copysign(1, value) == math.copysign(1, strict)
            assert value == strict


def _placed(
    fields: Sequence[bytes],
) -> tuple[NDArray[np.uint8], NDArray[np.int64], NDArray[np.int64]]:
    """Lay fields into one block of bytes, as a file would."""
    lengths = np.array([len(field) for field in fields], np.int64)
    stop = PAD + np.cumsum(lengths + 1) - 1
    text = bytes(PAD) + b",".join(fields) + b"\n" + bytes(PAD)
    return np.frombuffer(text, np.uint8), stop - lengths, stop


def entries(data: bytes) -> None:
    """An entry is a known one with a finite number, or free text; blanks don't matter."""
    text = data.decode("utf-8", "replace")
    known = understand(text)
    assert understand("  " + "  ".join(text.split()) + " ") == known
    if known is None:
        return
    assert known.number is None or math.isfinite(known.number)
    assert known.rest in ("", UNDO, *STAGES, *INSTRUMENTS)


_TIME_WORDS = (
    b"Z",
    b"z",
    b"+01:00",
    b"-00:00",
    b"T",
    b"t",
    b".5",
    b":60",
    b"2024-02-29",
    b"2200",
    b"1969",
    b"9999",
    b",",
)
TARGETS = (
    Target(
        name="times",
        check=times,
        seeds=(
            b"2026-03-01T06:30:00Z,2026-03-01t06:30:00.123456z,2026-03-01 06:30:00-11:45",
            b"1985-04-12T23:20:50.52Z,1996-12-19T16:39:57-08:00,1990-12-31T23:59:60Z,1937-01-01T12:00:27.87+00:20",
            b"0001-01-01T00:00:00+23:59,9999-12-31T23:59:59.9999Z,2023-02-29T00:00:00Z",
        ),
        words=_TIME_WORDS,
        usual=256,
        longest=4096,
        code=("ullage.adapters.timestamps",),
    ),
    Target(
        name="decimals",
        check=decimals,
        seeds=(
            b"18.4,-0.5,.5,5.,1013,+3,1e3,-0.0",
            b"123456789012345678,0.1234567890123456789,9007199254740993,4503599627370497.5,99999999.99999999",
            b"-,.,-.,1..2,1_0,nan,0x1,179769313486231580793728971405",
        ),
        words=(b"0.", b"00000000", b"99999999", b"9007199254740993", b"-", b",", b"e-5", b"e308"),
        usual=256,
        longest=4096,
        code=("ullage.adapters.log_rows",),
    ),
    Target(
        name="journal entry",
        check=entries,
        seeds=(
            *(f"stage {stage}".encode() for stage in (*STAGES, UNDO)),
            b"pitched",
            b"valve set 1.5",
            b"valve shut",
            b"valve opened",
            b"vented",
            b"chill 2",
            b"fined 15",
            b"tapped",
            b"zero",
            b"snooze 12",
            b"gravity 1,012 hydrometer",
            b"batch started: spring ale",
            b"batch ended",
        ),
        words=(
            "ſ".encode(),
            "ı".encode(),
            "İ".encode(),
            "٢".encode(),
            "\u212a".encode(),
            b" ",
            b"-",
            b"\n",
            b"set",
            b"1.5",
        ),
        usual=256,
        longest=4096,
        code=("ullage.detectors.journal",),
    ),
)
