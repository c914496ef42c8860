"""Columns as few bytes, without loss.

A column is its number of readings, its times and its values. Times are whole numbers; values too when all of them are
decimal fractions of at most nine places (`20.31` is 2031 hundredths) and give the same 64 bits when divided back.
Whole numbers are kept as residuals from a median, or from a median step where that is smaller, in the fewest bytes
that hold them. Values that are no short decimals (converted units) are kept as numbers into a table of the distinct
ones if these are few, else as the bits that differ from the value before. zlib packs the result and its checksum
shows damage.

What stands for minutes only, until it is folded with more of its kind, is written plainly, with a checksum: packing a
handful of readings saves little, and takes longer than all the rest that is done for them.
"""

import struct
import zlib
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from ullage.daemon.store.columns import Column

_VERSION = 1
_PLAIN = 2
_COUNT = struct.Struct("<I")
_INTS = struct.Struct("<BBqq")  # order, width, first, base
_CHANNEL = struct.Struct("<qBI")  # vessel, kind, length; where plain: number of readings
_CHECK = struct.Struct("<BI")  # version, checksum of the rest
_DECIMAL, _TABLE, _BITS = range(3)
_PLACES = range(10)
_EXACT = 2.0**50  # below this, scaling by a power of ten rounds to the right whole number
_PROBE = 32

Bits = NDArray[np.int64]


class Damaged(ValueError):
    """Bytes that don't decode."""


def pack(column: Column) -> bytes:
    """Return one column as bytes; times must rise strictly."""
    return _sealed(_encode(column))


def unpack(data: bytes) -> Column:
    """Return the column that `pack` was given.

    Raises
    ------
    Damaged
        If the bytes are not whole.
    """
    return _decode(_opened(data))


def pack_channels(channels: Iterable[tuple[int, int, Column]]) -> bytes:
    """Return columns of several channels (vessel id, kind, column) as one piece."""
    parts: list[bytes] = []
    for vessel_id, kind, column in channels:
        body = _encode(column)
        parts += (_CHANNEL.pack(vessel_id, kind, len(body)), body)
    return _sealed(b"".join(parts))


def plain_channels(channels: Iterable[tuple[int, int, Column]]) -> bytes:
    """Return the same without packing it: for a few readings, and soon to be folded."""
    parts: list[bytes] = []
    for vessel_id, kind, column in channels:
        parts += (
            _CHANNEL.pack(vessel_id, kind, len(column)),
            column.time_ms.astype("<i8", copy=False).tobytes(),
            column.value.astype("<f8", copy=False).tobytes(),
        )
    body = b"".join(parts)
    return _CHECK.pack(_PLAIN, zlib.crc32(body)) + body


def unpack_channels(data: bytes, vessel_id: int | None = None) -> Iterator[tuple[int, int, Column]]:
    """Yield (vessel id, kind, column), of one vessel only if `vessel_id` says which.

    Raises
    ------
    Damaged
        If the bytes are not whole.
    """
    if data[:1] == bytes([_PLAIN]):
        yield from _read_plain(data, vessel_id)
        return
    body = _opened(data)
    at = 0
    while at < len(body):
        found, kind, length = _CHANNEL.unpack_from(body, at)
        at += _CHANNEL.size
        if vessel_id is None or found == vessel_id:
            yield found, kind, _decode(body[at : at + length])
        at += length


def _read_plain(data: bytes, vessel_id: int | None) -> Iterator[tuple[int, int, Column]]:
    if len(data) < _CHECK.size or _CHECK.unpack_from(data)[1] != zlib.crc32(memoryview(data)[_CHECK.size :]):
        raise Damaged("the checksum is wrong")
    at = _CHECK.size
    while at < len(data):
        found, kind, count = _CHANNEL.unpack_from(data, at)
        at += _CHANNEL.size
        if vessel_id is None or found == vessel_id:
            time_ms = np.frombuffer(data, "<i8", count, at)
            yield found, kind, Column(time_ms, np.frombuffer(data, "<f8", count, at + 8 * count))
        at += 16 * count


def _sealed(body: bytes) -> bytes:
    return bytes([_VERSION]) + zlib.compress(body)


def _opened(data: bytes) -> memoryview:
    if not data or data[0] != _VERSION:
        raise Damaged("unknown packing")
    try:
        return memoryview(zlib.decompress(memoryview(data)[1:]))
    except zlib.error as error:
        raise Damaged(str(error)) from None


def _encode(column: Column) -> bytes:
    count = len(column)
    if not count:
        return _COUNT.pack(0)
    return _COUNT.pack(count) + _pack_ints(column.time_ms) + _pack_values(np.ascontiguousarray(column.value))


def _decode(body: memoryview) -> Column:
    try:
        (count,) = _COUNT.unpack_from(body)
        if not count:
            return Column(np.empty(0, np.int64), np.empty(0))
        time_ms, at = _unpack_ints(body, _COUNT.size, count)
        return Column(time_ms, _unpack_values(body, at, count))
    except (struct.error, ValueError, IndexError) as error:
        raise Damaged(str(error)) from None


def _pack_ints(number: Bits) -> bytes:
    level = number - int(np.median(number))
    step = np.diff(number)
    base = int(np.median(step)) if len(step) else 0
    step -= base
    if len(step) and np.abs(step).sum(dtype=float) < np.abs(level).sum(dtype=float):
        width, body = _narrow(step)
        return _INTS.pack(1, width, int(number[0]), base) + body
    width, body = _narrow(level)
    return _INTS.pack(0, width, 0, int(number[0] - level[0])) + body


def _unpack_ints(body: memoryview, at: int, count: int) -> tuple[Bits, int]:
    order, width, first, base = _INTS.unpack_from(body, at)
    at += _INTS.size
    residual = _widen(body, at, width, count - order)
    at += width * (count - order)
    if not order:
        return residual + base, at
    number = np.empty(count, np.int64)
    number[0] = first
    np.cumsum(residual + base, out=number[1:])
    number[1:] += first
    return number, at


def _narrow(residual: Bits) -> tuple[int, bytes]:
    low, high = int(residual.min()), int(residual.max())
    if low == high == 0:
        return 0, b""
    width = next(w for w in (1, 2, 4, 8) if -(1 << 8 * w - 1) <= low and high < 1 << 8 * w - 1)
    return width, _shuffled(residual.astype(f"<i{width}").view(np.uint8), width)


def _widen(body: memoryview, at: int, width: int, count: int) -> Bits:
    if not width:
        return np.zeros(count, np.int64)
    return _unshuffled(body, at, width, count).view(f"<i{width}").astype(np.int64)


def _shuffled(octets: NDArray[np.uint8], width: int) -> bytes:
    """Put the first bytes of all numbers together, then the second ones: like stands beside like."""
    return octets.reshape(-1, width).T.tobytes()


def _unshuffled(body: memoryview, at: int, width: int, count: int) -> NDArray[np.uint8]:
    octets = np.frombuffer(body, np.uint8, width * count, at)
    return np.ascontiguousarray(octets.reshape(width, count).T).reshape(-1)


def _pack_values(value: NDArray[np.float64]) -> bytes:
    for places in _PLACES:
        whole = _as_decimal(value[:_PROBE], places)
        if whole is not None:
            whole = _as_decimal(value, places)
        if whole is not None:
            return bytes([_DECIMAL, places]) + _pack_ints(whole)
    bits = value.view(np.int64)
    distinct, number = np.unique(bits, return_inverse=True)
    if len(distinct) * 4 <= len(bits):
        head = bytes([_TABLE, 0]) + _COUNT.pack(len(distinct)) + _shuffled(distinct.view(np.uint8), 8)
        return head + _pack_ints(number.reshape(-1).astype(np.int64))
    changed = bits.copy()
    changed[1:] ^= bits[:-1]
    return bytes([_BITS, 0]) + _shuffled(changed.view(np.uint8), 8)


def _as_decimal(value: NDArray[np.float64], places: int) -> Bits | None:
    with np.errstate(all="ignore"):
        scaled = np.rint(value * 10.0**places)
    if not np.all(np.abs(scaled) < _EXACT):  # also false for NaN
        return None
    whole = scaled.astype(np.int64)
    same = np.array_equal((whole / 10.0**places).view(np.int64), value.view(np.int64))
    return whole if same else None


def _unpack_values(body: memoryview, at: int, count: int) -> NDArray[np.float64]:
    mode, places = body[at], body[at + 1]
    at += 2
    if mode == _DECIMAL:
        return _unpack_ints(body, at, count)[0] / 10.0**places
    if mode == _TABLE:
        (size,) = _COUNT.unpack_from(body, at)
        at += _COUNT.size
        distinct = _unshuffled(body, at, 8, size).view("<f8")
        return np.asarray(distinct[_unpack_ints(body, at + 8 * size, count)[0]], np.float64)
    changed = _unshuffled(body, at, 8, count).view("<u8")
    return np.bitwise_xor.accumulate(changed).view(np.float64)
