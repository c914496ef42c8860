"""Text columns read eight bytes at a time: time-stamps and decimals of many lines in a few numpy operations.

Every function takes the positions of many fields in one block of bytes and returns what it could read together with a
mask of the fields that it is sure about. Whatever is unusual (an exponent, nanoseconds, a leap second, damage)
is left to the strict parser in `ullage.adapters.log_rows`, with which these functions agree to the last bit.

Notes
-----
Eight digits in a 64-bit word are a number after three multiplications: pairs, then fours, then all eight. A
decimal of at most eight digits is an integer divided by a power of ten, both exactly representable, so that the
quotient is rounded once and correctly (IEEE 754), as `float()` rounds it. Longer ones take a division with
remainder that comes to the same.

"""

import numpy as np
from numpy.typing import NDArray

PAD = 128
"""Bytes that must stand before and behind the text so that words may be read at every field, and a row in words."""

Words = NDArray[np.uint64]
Places = NDArray[np.int64]
Mask = NDArray[np.bool_]
Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]

_U = np.uint64
_ZEROS = _U(0x3030303030303030)
_DOTS = _U(0x2E2E2E2E2E2E2E2E)
_LOW7 = _U(0x7F7F7F7F7F7F7F7F)
_HIGH1 = _U(0x8080808080808080)
_FIRST = np.array([(1 << 8 * n) - 1 for n in range(9)], np.uint64)
"""_FIRST[n] keeps the first n characters of a word."""
_LAST = ~_FIRST[::-1].copy()
"""_LAST[n] keeps the last n characters of a word."""
_TEN_TO = np.array([float(10**n) for n in range(23)])
_INTEGER_TEN_TO = np.array([10**n for n in range(19)], np.uint64)
_MONTH_DAYS = np.array([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], np.int64)
_BEFORE_MONTH = np.array([0, 0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334], np.int64)


def _char(text: str, mask: bool = False) -> np.uint64:
    """Pack eight characters; with `mask`, 0xFF where the character is not a dot and 0 where it is."""
    values = [(0xFF if c != "." else 0) if mask else ord(c) for c in text]
    return _U(int.from_bytes(bytes(values), "little"))


_DATE_MARKS, _DATE_FIXED = _char("0000-00-"), _char("....-..-", mask=True)
_HOUR_MARKS, _HOUR_FIXED = _char("00T00:00"), _char("..T..:..", mask=True)
_ZONE_MARKS, _ZONE_FIXED = _char("00000:00"), _char(".....:..", mask=True)


def words_of(block: Bytes) -> Words:
    """Return a view in which element i is the eight bytes from i on, first character lowest."""
    return np.ndarray((len(block) - 7,), np.dtype("<u8"), buffer=block, strides=(1,))


def _all_digits(word: Words) -> Mask:
    low = word ^ _ZEROS
    spill: Mask = (((low & _LOW7) + _U(0x7676767676767676)) | low) & _HIGH1 == 0
    return spill


def _pairs(digits: Words) -> Words:
    """Bytes 0..9 to two-digit numbers: the number of characters i and i+1 stands at byte i."""
    return digits * _U(10) + (digits >> _U(8))


def _byte(word: Words, index: int) -> Places:
    return ((word >> _U(8 * index)) & _U(0xFF)).astype(np.int64)


def _eight_digits(word: Words) -> Words:
    value = _pairs(word & _U(0x0F0F0F0F0F0F0F0F)) & _U(0x00FF00FF00FF00FF)
    value = (value * _U(100) + (value >> _U(16))) & _U(0x0000FFFF0000FFFF)
    return (value * _U(10000) + (value >> _U(32))) & _U(0xFFFFFFFF)


def _marked(word: Words, marks: np.uint64, fixed: np.uint64) -> tuple[Words, Mask]:
    """Check the separators of a word and return its digits as numbers 0..9, separators as 0."""
    without = word & ~fixed | _ZEROS & fixed
    good: Mask = (word & fixed == marks & fixed) & _all_digits(without)
    return without ^ _ZEROS, good


def masked(words: Words, start: Places, length: Places) -> Words:
    """Return the first `length` (0 to 8; clipped) characters at `start`, zero behind them."""
    return words[start] & _FIRST[np.clip(length, 0, 8)]


def read_times(words: Words, start: Places, stop: Places) -> tuple[Floats, Mask]:
    """Read RFC 3339 time-stamps of the years 1970 to 2199 with at most six digits behind the second.

    Parameters
    ----------
    words
        From `words_of`.
    start, stop
        Where each stamp begins and ends, counted in bytes, shape (n,).

    Returns
    -------
    tuple
        Unix seconds (UTC), shape (n,), and which of them are sure.
    """
    length = stop - start
    seconds, good = read_minutes(words[start], words[start + 8])
    good &= length >= 20
    tail = words[start + 16]
    digits = (tail >> _U(8)) & _U(0xFFFF)
    second = _byte(_pairs(digits ^ _U(0x3030)), 0)
    good &= (tail & _U(0xFF) == ord(":")) & _all_digits(digits | _ZEROS & ~_U(0xFFFF)) & (second <= 59)
    seconds += second
    if (length == 20).all() and ((tail >> _U(24)) & _U(0xFF) | _U(0x20) == ord("z")).all():
        return seconds.astype(np.float64), good  # by far the commonest layout needs no more work
    offset, zone_length, fine = _zones(words, stop)
    good &= fine
    micro, fine = _fractions(words, start + 19, length - 19 - zone_length)
    good &= fine
    return (seconds - offset) + micro / 1e6, good


def read_minutes(date: Words, clock: Words) -> tuple[Places, Mask]:
    """Read the minute that words `YYYY-MM-` and `DDTHH:MM` name: seconds since 1970, and which are sure.

    Neighbouring rows of a log mostly share the minute: then it is worked out once.
    """
    fresh = np.ones(len(date), bool)
    np.not_equal(date[1:], date[:-1], out=fresh[1:])
    fresh[1:] |= clock[1:] != clock[:-1]
    first = np.flatnonzero(fresh)
    if 2 * len(first) > len(date):
        return _minutes_apart(date, clock)
    seconds, good = _minutes_apart(date[first], clock[first])
    times = np.diff(first, append=len(date))
    return np.repeat(seconds, times), np.repeat(good, times)


def _minutes_apart(date: Words, clock: Words) -> tuple[Places, Mask]:
    digits, good = _marked(date, _DATE_MARKS, _DATE_FIXED)
    clock_digits, fine = _marked(clock & ~_U(0x200000), _HOUR_MARKS, _HOUR_FIXED)  # t is T
    good &= fine
    day, hour = _pairs(digits), _pairs(clock_digits)
    seconds, fine = _civil_seconds(
        _byte(day, 0) * 100 + _byte(day, 2),
        _byte(day, 5),
        _byte(hour, 0),
        _byte(hour, 3),
        _byte(hour, 6),
    )
    return seconds, good & fine


def _civil_seconds(
    year: Places, month: Places, day: Places, hour: Places, minute: Places
) -> tuple[Places, Mask]:
    """Seconds since 1970 of a date and clock in the Gregorian calendar."""
    good: Mask = (year >= 1970) & (year < 2200) & (month >= 1) & (month <= 12) & (hour <= 23) & (minute <= 59)
    month = np.clip(month, 1, 12)
    leap = (year % 4 == 0) & (year % 100 != 0) | (year % 400 == 0)
    good &= (day >= 1) & (day <= _MONTH_DAYS[month] + (leap & (month == 2)))
    before = year - 1
    days = 365 * before + before // 4 - before // 100 + before // 400 - 719_163  # 1970-01-01 is day 719,163
    days += _BEFORE_MONTH[month] + (leap & (month > 2)) + day
    return (days * 24 + hour) * 3600 + minute * 60, good


def _zones(words: Words, stop: Places) -> tuple[Places, Places, Mask]:
    """Offset in seconds, its length in characters and whether it is sure, of stamps that end at `stop`."""
    word = words[stop - 8]  # two characters, sign, hours, colon, minutes
    is_zulu: Mask = (word >> _U(56)) | _U(0x20) == ord("z")
    digits, good = _marked(word & ~_U(0xFFFFFF) | _U(0x303030), _ZONE_MARKS, _ZONE_FIXED)
    pairs = _pairs(digits)
    hours, minutes = _byte(pairs, 3), _byte(pairs, 6)
    sign = _byte(word, 2)
    good &= ((sign == ord("+")) | (sign == ord("-"))) & (hours <= 23) & (minutes <= 59)
    offset = np.where(sign == ord("-"), -1, 1) * (hours * 3600 + minutes * 60)
    return np.where(is_zulu, 0, offset), np.where(is_zulu, 1, 6), good | is_zulu


def _fractions(words: Words, start: Places, length: Places) -> tuple[Places, Mask]:
    """Microseconds of `.ddd` of the given length at `start`; length 0 means none."""
    digits = length - 1
    count = np.clip(digits, 0, 6)
    word = words[start + 1] & _FIRST[count] | _ZEROS & ~_FIRST[count]
    dotted = words[start] & _U(0xFF) == ord(".")
    good: Mask = (length == 0) | dotted & (digits >= 1) & (digits <= 6) & _all_digits(word)
    micro = (_eight_digits(word) // _U(100)).astype(np.int64)
    return np.where(length == 0, 0, micro), good


def read_digits(word: Words, length: int, behind: int | None = None) -> tuple[Words, Mask]:
    """Read the last `length` characters of words as a whole number, a dot before the last `behind` left out."""
    keep = _LAST[length]
    digits = word & keep | _ZEROS & ~keep
    if behind is not None:
        upper = _LAST[behind]
        lower = _FIRST[7 - behind]
        digits = (digits & upper) | (digits & lower) << _U(8) | _U(0x30)
    return _eight_digits(digits), _all_digits(digits)


def read_decimals(words: Words, block: Bytes, start: Places, stop: Places) -> tuple[Floats, Mask]:
    """Read plain decimals (`-12.5`, `1013`, `.5`, `3.`) of up to 24 characters.

    Parameters
    ----------
    words, block
        From `words_of`, and the bytes under it.
    start, stop
        Where each number begins and ends, counted in bytes, shape (n,).

    Returns
    -------
    tuple
        Values as `float()` gives them, shape (n,), and which of them are sure.
    """
    minus: Mask = (block[start] == ord("-")) & (stop > start)
    first = start + minus
    length = stop - first
    value, good = _short_decimals(words, stop, length)
    longer = np.flatnonzero((length > 8) & (length <= 24))
    if len(longer):
        value[longer], good[longer] = _long_decimals(words, stop[longer], length[longer])
    if minus.any():
        value[minus] = -value[minus]
    return value, good


def _short_decimals(words: Words, stop: Places, length: Places) -> tuple[Floats, Mask]:
    keep = _LAST[np.clip(length, 0, 8)]
    word = words[stop - 8] & keep | _ZEROS & ~keep
    differs = word ^ _DOTS
    dot = ~(((differs & _LOW7) + _LOW7) | differs | _LOW7)  # 0x80 at each dot and nothing else
    has_dot = dot != 0
    lower = (dot >> _U(7)) - _U(1)  # all characters before the dot (all eight where there is none)
    upper = ~((dot << _U(1)) - _U(1))  # all behind it (none where there is none)
    dotted = has_dot.astype(np.uint64)
    joined = (word & upper) | (word & lower) << (dotted << _U(3)) | dotted * _U(0x30)
    behind = (((dot >> _U(7)) * _U(0x0706050403020100)) >> _U(56)).astype(np.int64)
    good: Mask = (dot & (dot - dotted) == 0) & _all_digits(joined) & (length - has_dot >= 1) & (length <= 8)
    return _eight_digits(joined) / _TEN_TO[np.minimum(behind, 8)], good


def _dot_before(word: Words) -> tuple[Mask, Mask, Places]:
    """Tell whether a word holds a dot, whether that is the only one, and how many characters follow it."""
    differs = word ^ _DOTS
    dot = ~(((differs & _LOW7) + _LOW7) | differs | _LOW7)  # 0x80 at each dot and nothing else
    has_dot = dot != 0
    return (
        has_dot,
        dot & (dot - has_dot) == 0,
        (((dot >> _U(7)) * _U(0x0706050403020100)) >> _U(56)).astype(np.int64),
    )


def _whole_number(words: Words, stop: Places, length: Places) -> tuple[Words, Mask]:
    """Read the `length` digits (0 to 24) that end at `stop`; sure if they are digits and below 9e18."""
    value = np.zeros(len(stop), np.uint64)
    good = np.ones(len(stop), bool)
    for place in range(3):
        keep = _LAST[np.clip(length - 8 * place, 0, 8)]
        word = words[stop - 8 * (place + 1)] & keep | _ZEROS & ~keep
        good &= _all_digits(word)
        digits = _eight_digits(word)
        good &= (digits < 900) | (place < 2)
        value += digits * _U(10 ** (8 * place))
    return value, good


def _long_decimals(words: Words, stop: Places, length: Places) -> tuple[Floats, Mask]:
    """Read nine to 24 characters: an integer below 9e18 over a power of ten, rounded once.

    Notes
    -----
    The integer is split into a double and what is left of it; the remainder of the division is exact (T. J. Dekker,
    Numer. Math. 18:224, 1971), so that quotient and correction together carry over 100 bits. Only where these
    lie next to the middle between two doubles is the rounding in doubt, and the row is left to the strict parser.
    """
    behind = np.full(len(stop), -1)
    good = np.ones(len(stop), bool)
    for place in (2, 1, 0):
        keep = _LAST[np.clip(length - 8 * place, 0, 8)]
        has_dot, single, after = _dot_before(words[stop - 8 * (place + 1)] & keep)
        good &= single & ~(has_dot & (behind >= 0))
        behind = np.where(has_dot, after + 8 * place, behind)
    dotted = behind >= 0
    behind = np.maximum(behind, 0)
    good &= behind <= 22  # powers of ten up to there are doubles
    behind = np.minimum(behind, 22)
    whole, fine = _whole_number(words, stop - behind - dotted, length - behind - dotted)
    good &= fine
    fraction, fine = _whole_number(words, stop, behind)
    good &= fine & (whole * _TEN_TO[behind] + fraction < 9e18)
    integer = np.where(good, whole * _INTEGER_TEN_TO[np.minimum(behind, 18)] + fraction, _U(0))
    value, fine = _rounded_quotient(integer, _TEN_TO[behind])
    return value, good & fine


def _rounded_quotient(integer: Words, divisor: Floats) -> tuple[Floats, Mask]:
    """Divide integers below 2^63 by exact doubles; sure where the result is rounded correctly beyond doubt."""
    upper = integer.astype(np.float64)
    lower = (integer.astype(np.int64) - upper.astype(np.int64)).astype(np.float64)
    quotient = upper / divisor
    product = quotient * divisor
    a, b = _halves(quotient)
    c, d = _halves(divisor)
    beyond = ((a * c - product) + a * d + b * c) + b * d  # the exact product is product + beyond
    correction = (((upper - product) - beyond) + lower) / divisor
    value = quotient + correction
    lost = np.abs(correction - (value - quotient))
    gap = np.spacing(value)
    doubt = (np.abs(lost - gap / 2) <= gap * 2.0**-30) | (np.abs(lost - gap / 4) <= gap * 2.0**-30)
    return value, ~doubt


def _halves(value: Floats) -> tuple[Floats, Floats]:
    """Split doubles into two of 26 bits each (Dekker)."""
    scaled = value * 134_217_729.0
    upper = scaled - (scaled - value)
    return upper, value - upper
