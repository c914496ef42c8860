"""Payloads of every format: a channel gets a finite value in its canonical unit, or a refusal that says why."""

import json
import math
import re
from collections.abc import Callable, Sequence
from copy import copy
from functools import cache

from tests.fuzz.canonical import is_canonical
from tests.fuzz.target import Target
from ullage.adapters.channel import Channel, Reference
from ullage.adapters.checksum import ChecksumRule
from ullage.adapters.decode import Decoded, Decoder
from ullage.adapters.errors import DataError
from ullage.adapters.line_buffer import LineBuffer
from ullage.adapters.own_time import AHEAD_S, OLDEST_S
from ullage.adapters.payload import MAX_BYTES, MAX_DEPTH, MAX_TEXT, RefusedError
from ullage.adapters.printable import RAW_BYTES
from ullage.adapters.reading import Quantity, Reading
from ullage.adapters.senml import RELATIVE_BELOW_S, resolve

NOW_S = 1_772_346_600.0
AIR_BAR = 0.95
_LONGEST_DETAIL = 400
_CODE = tuple(
    f"ullage.adapters.{name}"
    for name in (
        "decode",
        "payload",
        "extract",
        "json_pointer",
        "senml",
        "own_time",
        "timestamps",
        "units",
        "line_buffer",
        "checksum",
    )
)


def _channels(**where: object) -> tuple[Channel, ...]:
    """All quantities at one place of the payload, each in a unit that is not the canonical one."""
    made: list[Channel] = []
    for quantity, unit, scale, offset, reference in (
        (Quantity.TEMPERATURE, "[degF]", 1.0, 1.2, Reference.GAUGE),
        (Quantity.PRESSURE, "mbar", 0.5, 0.0, Reference.ABSOLUTE),
        (Quantity.GRAVITY, "", 1.0, -0.001, Reference.GAUGE),
        (Quantity.JOURNAL, "", 1.0, 0.0, Reference.GAUGE),
    ):
        made.append(
            Channel(
                vessel="north",
                quantity=quantity,
                unit=unit,
                scale=scale,
                offset=offset,
                reference=reference,
                air_pressure_bar=AIR_BAR,
                **where,  # type: ignore[arg-type]
            )
        )
    return tuple(made)


@cache
def _made(channels: tuple[Channel, ...], delimiter: str) -> Decoder:
    return Decoder("cellar", channels, delimiter=delimiter)


def _decoder(channels: tuple[Channel, ...], delimiter: str) -> Decoder:
    """Return a decoder that has seen nothing yet."""
    return copy(_made(channels, delimiter))


def decoded(payload: bytes, channels: tuple[Channel, ...], *, delimiter: str = "") -> Decoded:
    """Decode, and hold the laws of every format."""
    found = _decoder(channels, delimiter).decode(payload, "cellar/north", NOW_S)
    for reading in found.readings:
        _is_sound(reading)
    for refusal in found.refusals:
        assert refusal.detail.isprintable(), "a refusal must stand in one line"
        assert 0 < len(refusal.detail) <= _LONGEST_DETAIL, "a refusal must be a sentence"
        assert len(refusal.raw) <= 10 * RAW_BYTES + 1
        assert refusal.raw.isprintable()
    told = {f"{reading.vessel} {reading.quantity}" for reading in found.readings}
    told |= {refusal.detail.partition(":")[0] for refusal in found.refusals}
    whole = any(not refusal.detail.startswith("north ") for refusal in found.refusals)
    assert whole or len(told) == len(channels), "each channel gets a reading or a refusal"
    if len(payload) > MAX_BYTES:
        assert not found.readings
    return found


def _kept_by_a_broker(payload: bytes, channels: tuple[Channel, ...], found: Decoded) -> None:
    """A retained message gives no reading but those that carry their own time."""
    late = _decoder(channels, "").decode(payload, "cellar/north", NOW_S, retained=True)
    assert set(late.readings) <= set(found.readings)
    if all(channel.time_pointer is None and channel.senml_name is None for channel in channels):
        assert not late.readings


def _is_sound(reading: Reading) -> None:
    assert math.isfinite(reading.value), "a value must be finite"
    assert NOW_S - OLDEST_S <= reading.time_s <= NOW_S + AHEAD_S
    if reading.quantity is Quantity.JOURNAL:
        assert 0 < len(reading.text) <= MAX_TEXT
        assert reading.text.isprintable()
    else:
        assert reading.text == ""


def _comes_from(reading: Reading, raw: float, channels: tuple[Channel, ...]) -> bool:
    channel = next(c for c in channels if c.quantity is reading.quantity)
    air = AIR_BAR if channel.reference is Reference.ABSOLUTE else 0.0
    return is_canonical(reading.value, raw, channel.unit, scale=channel.scale, offset=channel.offset, air=air)


def _numbers(words: Sequence[str]) -> list[float]:
    """Return the words that are plainly numbers, by Python's own reading of them."""
    plain = [word for word in words if word and set(word) <= set("+-.0123456789eE")]
    found: list[float] = []
    for word in plain:
        try:
            found.append(float(word))
        except ValueError:
            continue
    return found


_BARE = _channels()


def bare(payload: bytes) -> None:
    """A number alone, or the text of an entry."""
    found = decoded(payload, _BARE)
    _kept_by_a_broker(payload, _BARE, found)
    raw = _numbers([payload.decode("latin-1").strip(" \t\r\n")])
    measured = [reading for reading in found.readings if reading.quantity is not Quantity.JOURNAL]
    if len(payload) <= MAX_BYTES and raw and all(abs(number) < 1e300 for number in raw):
        assert len(measured) == 3, "what is plainly a number is one"
    assert all(_comes_from(reading, raw[0], _BARE) for reading in measured)


_JSON = _channels(pointer="/beer")
_JSON_TIMED = _channels(pointer="/deep/0/~1x", time_pointer="/t")


def json_by_pointer(payload: bytes) -> None:
    """JSON: what is read is what the standard library reads there, and what that reads without a doubt is read."""
    found = decoded(payload, _JSON)
    _kept_by_a_broker(payload, _JSON_TIMED, decoded(payload, _JSON_TIMED))
    measured = [reading for reading in found.readings if reading.quantity is not Quantity.JOURNAL]
    try:
        document = json.loads(payload.decode("utf-8-sig"))
    except (ValueError, RecursionError):
        assert not found.readings, "what is no JSON gives nothing"
        return
    value = document.get("beer") if isinstance(document, dict) else None
    number = _number(value)
    assert number is not None or not measured
    assert all(_comes_from(reading, number or 0.0, _JSON) for reading in measured)
    plain = number is not None and not isinstance(value, str) and abs(number) < 1e300
    if plain and len(payload) <= MAX_BYTES and _is_strict(payload) and _depth(document) <= MAX_DEPTH:
        assert len(measured) == 3, "a plain number at its place is read"


def _number(value: object) -> float | None:
    """Return the number that a JSON value is, in quotes or without."""
    if isinstance(value, str):
        return next(iter(_numbers([value.strip()])), None)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        return float(value)
    except OverflowError:
        return None


def _is_strict(payload: bytes) -> bool:
    """No member twice, no NaN, and no more brackets than may nest (those in texts count, to be on the safe side)."""
    strict = True

    def unique(pairs: list[tuple[str, object]]) -> dict[str, object]:
        nonlocal strict
        strict = strict and len(dict(pairs)) == len(pairs)
        return dict(pairs)

    def constant(_text: str) -> object:
        nonlocal strict
        strict = False
        return None

    json.loads(payload.decode("utf-8-sig"), object_pairs_hook=unique, parse_constant=constant)
    return strict


def _depth(document: object) -> int:
    if isinstance(document, dict):
        return 1 + max(map(_depth, document.values()), default=0)
    if isinstance(document, list):
        return 1 + max(map(_depth, document), default=0)
    return 0


_SENML = _channels(senml_name="north:top")


def senml(payload: bytes) -> None:
    """SenML: sound readings, and a resolved pack resolves to itself (RFC 8428 section 4.6)."""
    _kept_by_a_broker(payload, _SENML, decoded(payload, _SENML))
    try:
        records = resolve(json.loads(payload), NOW_S)
    except (DataError, ValueError, RecursionError):
        return
    lasting = [
        (record.name, record.unit, record.time_s, record.value)
        for record in records
        if record.time_s >= RELATIVE_BELOW_S
        and isinstance(record.value, float)
        and math.isfinite(record.value)
        and record.sum is None
    ]
    again = [dict(zip(("n", "u", "t", "v"), record, strict=True)) for record in lasting]
    assert lasting == [(r.name, r.unit, r.time_s, r.value) for r in resolve(again, NOW_S)]


_PAIRS = _channels(key="beer")


def key_value(payload: bytes) -> None:
    """key=value: a value that is read stands behind the key."""
    found = decoded(payload, _PAIRS)
    text = payload.decode("utf-8", "replace")
    raw = _numbers(re.findall(r"(?:^|[\s,;\ufeff])beer\s*=\s*([^\s,;]*)", text))
    for reading in found.readings:
        if reading.quantity is not Quantity.JOURNAL:
            assert any(_comes_from(reading, number, _PAIRS) for number in raw)


_COLUMNS = _channels(column=2)


def columns(payload: bytes) -> None:
    """Delimited columns, the delimiter found or declared."""
    text = payload.decode("utf-8", "replace")
    raw = _numbers(re.split(r"[\s,;|]+", text))
    delimiter = ("", ";", "|", " ")[len(payload) % 4]
    for reading in decoded(payload, _COLUMNS, delimiter=delimiter).readings:
        if reading.quantity is not Quantity.JOURNAL:
            assert any(_comes_from(reading, number, _COLUMNS) for number in raw)


def serial_line(stream: bytes) -> None:
    """A stream of bytes gives the same lines however it is cut, and a checksum that holds leaves what it covers."""
    step = 1 + stream[0] % 61 if stream else 1
    whole, cut = LineBuffer(), LineBuffer()
    lines = whole.feed(stream)
    pieces = [
        line for start in range(0, len(stream), step) for line in cut.feed(stream[start : start + step])
    ]
    assert lines == pieces, "how a stream is cut changes nothing"
    rule = ChecksumRule("auto")
    for line in lines:
        assert 0 < len(line.content) <= 256
        assert b"\n" not in line.content
        try:
            content = rule.strip(line.content)
        except RefusedError:
            continue
        assert line.content.startswith(content)
        decoded(content, _BARE)


def _target(
    name: str, check: Callable[[bytes], None], seeds: Sequence[bytes], words: Sequence[bytes]
) -> Target:
    return Target(
        name=name,
        check=check,
        seeds=tuple(seeds),
        words=(*words, b"1e309", b"1e308", b"-0", b"18.4", b"9" * 25, b"nan", "１".encode(), b"\xef\xbb\xbf"),
        usual=256,
        longest=MAX_BYTES + 64,
        code=_CODE,
    )


_SENML_SEEDS = (
    b'[{"n":"north:top","u":"Cel","v":18.4}]',
    b'[{"bn":"north:","bt":1772346000,"bu":"Cel","bver":10,"n":"top","v":23.1},{"n":"top","u":"K","t":-5,"v":290}]',
    b'[{"bn":"north:top","bv":20.0,"bu":"[degF]"},{"v":1},{"t":-1.5,"v":2,"ut":60},{"s":3}]',
    b'[{"n":"north:top","vs":"fined 15"},{"n":"north:top","vd":"aGk"},{"n":"north:top","vb":true}]',
    b'[{"n":"north:top","u":"bar","v":1.5,"bs":1,"must_":1}]',
)
TARGETS = (
    _target("bare", bare, (b"18.4", b" -0.5\r\n", b"1.84e1", b".5", b"valve set 1.5", b"1,5"), (b"E-", b"+")),
    _target(
        "json",
        json_by_pointer,
        (
            b'{"beer": 18.4, "top": "1211"}',
            b'{"deep": [{"/x": "18.4"}], "t": "2026-03-01T06:30:00Z", "beer": null}',
            b'{"deep": [{"/x": 1}], "t": 1772346600.5, "beer": {"c": [[1]]}}',
            b'{"beer": "valve set 1.5", "a": "\\u00e9\\"]", "beer ": NaN}',
        ),
        (
            b'"beer":',
            b'"/x":',
            b'"t":',
            b"[{",
            b"}]",
            b"Infinity",
            b"\\ud800",
            b"true",
            b"2026-03-01T06:30:60+01:00",
        ),
    ),
    _target(
        "senml",
        senml,
        _SENML_SEEDS,
        (
            b'"bn":',
            b'"bt":',
            b'"bv":',
            b'"bs":',
            b'"bver":',
            b'"s":',
            b'"t":',
            b'"v":',
            b'"vs":',
            b'"u":"mbar"',
            b"_",
        ),
    ),
    _target(
        "key=value",
        key_value,
        (b"beer=18.4, top=1.21", b"t 12;beer = 18.4", b"beer=fined top=2"),
        (b"beer=", b"=", b" ", b";"),
    ),
    _target(
        "columns", columns, (b"1;18.4;2", b"1\t18.4", b"a 18.4 b", b"1|2|3,4"), (b";", b"\t", b",", b"|")
    ),
    _target(
        "serial line",
        serial_line,
        (b"18.4\r\n18.5*1D\n", b"$18.4*36\n18.4\n", b"x" * 300 + b"\n1\n", b"\0\0\n18"),
        (b"*1D\n", b"\r\n", b"$", b"\0"),
    ),
)
