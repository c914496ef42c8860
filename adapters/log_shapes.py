"""Rows that differ from one read before in their digits alone, whole blocks at once.

A log at one reading a second says the same line over and over: `2026-03-01T08:00:00Z,north,temperature,20.125,Cel`.
Its shape is everything in it but the digits of time and value. Rows of a shape are gathered into a matrix of words;
one comparison shows that all that is fixed stands in its place, and the digits are then read from known columns.
Whatever does not fit is left to the general way, with which this one agrees to the last bit.
"""

import re
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from ullage.adapters.log_blocks import Block
from ullage.adapters.log_words import PAD, Floats, Mask, Places, Words, read_digits, read_minutes

LONGEST = PAD
"""Bytes of a row; a word behind the last row of a block must still lie in the buffer."""
FEW_ROWS = 64
"""So few rows of one length in a block are not worth a look of their own."""
MOST_SHAPES = 16
NEW_A_BLOCK = 4
EVER_TRIED = 64
"""A log whose rows go on changing their shape, or have none, is read the general way."""
WORTH = 0.25
"""Share of the rows of its length that must fit a shape for it to be kept."""
_ROW = re.compile(
    rb"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(?P<fraction>\.\d{1,6})?(?P<zone>[Zz]|[+-]\d\d:\d\d),"
    rb'[^",]+,[^",]+,(?P<value>-?\d*\.?\d*),[^",]*'
)
_U = np.uint64
_SECOND = 17
_FRACTION = 20
"""Where the second and its fraction begin in a row."""
_LONGEST_VALUE = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shape:
    """One row's fixed characters, and where its digits stand, counted in bytes from its start."""

    length: int
    group: int
    text: Words
    """The row in words, zero where it may differ."""
    fixed: Words
    """All bits set where it may not."""
    offset_s: int
    """Of the time zone."""
    fraction: int
    """Digits of the second's fraction."""
    value_end: int
    value_length: int
    """Digits and dot; the sign is fixed."""
    behind: int | None
    """Digits behind the dot; None where there is no dot."""
    negative: bool

    @classmethod
    def of(cls, record: bytes, group: int) -> Self | None:
        """Return the shape of a row that was read as one of `group`; None if it is out of the ordinary."""
        found = _ROW.fullmatch(record)
        if found is None or len(record) > LONGEST:
            return None
        first, end = found.span("value")
        negative = record[first : first + 1] == b"-"
        digits = record[first + negative : end]
        if not 1 <= len(digits) <= _LONGEST_VALUE or digits == b".":
            return None
        fraction = len(found["fraction"] or b".") - 1
        mask = bytearray(b"\xff" * len(record))
        for start, stop in ((0, _SECOND + 2), (_FRACTION, _FRACTION + fraction), (first, end)):
            for place in range(start, stop):
                if record[place : place + 1].isdigit():
                    mask[place] = 0
        fixed = _words(mask)
        return cls(
            length=len(record),
            group=group,
            text=_words(record) & fixed,
            fixed=fixed,
            offset_s=_offset_s(found["zone"]),
            fraction=fraction,
            value_end=end,
            value_length=len(digits),
            behind=len(digits) - 1 - digits.index(b".") if b"." in digits else None,
            negative=negative,
        )

    def read(self, columns: NDArray[np.uint64]) -> tuple[Floats, Floats, Mask]:
        """Return time, value and which rows fit, of n rows as words, shape (words, n)."""
        differs = np.zeros(columns.shape[1], np.uint64)
        for column, text, fixed in zip(columns, self.text, self.fixed, strict=True):
            differs |= (column & fixed) ^ text
        good = differs == 0
        seconds, fine = read_minutes(columns[0], columns[1])
        good &= fine
        second, fine = read_digits(self._word(columns, _SECOND + 2), 2)
        good &= fine & (second <= 59)
        time_s = (seconds + second.astype(np.int64) - self.offset_s).astype(np.float64)
        if self.fraction:
            part, fine = read_digits(self._word(columns, _FRACTION + self.fraction), self.fraction)
            good &= fine
            time_s += (part * _U(10 ** (6 - self.fraction))).astype(np.float64) / 1e6
        whole, fine = read_digits(self._word(columns, self.value_end), self.value_length, self.behind)
        good &= fine
        value = whole / 10.0 ** (self.behind or 0)
        return time_s, -value if self.negative else value, good

    @staticmethod
    def _word(columns: NDArray[np.uint64], end: int) -> Words:
        """Return the eight characters before `end` of each row."""
        place, byte = divmod(end - 8, 8)
        word: Words = columns[place]
        if byte:
            word = (word >> _U(8 * byte)) | (columns[place + 1] << _U(64 - 8 * byte))
        return word


class Shapes:
    """The shapes of a file as they appear."""

    def __init__(self) -> None:
        self._shapes: list[Shape] = []
        self._tried = 0

    def read(self, block: Block, time_s: Floats, value: Floats, group: Places) -> Places:
        """Read what has a known shape into columns of the block's n rows; return the rows that are left.

        Rows that are not read keep the group that they have, which must be negative.
        """
        length = block.stop - block.start
        for shape in tuple(self._shapes):
            rows = np.flatnonzero((length == shape.length) & (group < 0))
            if len(rows) < FEW_ROWS:
                continue
            at_s, number, good = shape.read(_columns(block, block.start[rows], shape.length))
            if not good.all():
                if np.count_nonzero(good) < WORTH * len(rows):
                    self._shapes.remove(shape)
                rows, at_s, number = rows[good], at_s[good], number[good]
            time_s[rows], value[rows], group[rows] = at_s, number, shape.group
        return np.flatnonzero(group < 0)

    def learn(self, block: Block, rows: Places, group: Places) -> None:
        """Learn from rows that the general way has read, and their groups."""
        if self._tried >= EVER_TRIED:
            return
        length = block.stop[rows] - block.start[rows]
        counts = np.bincount(length[length <= LONGEST], minlength=1)
        for common in np.argsort(-counts, kind="stable")[:NEW_A_BLOCK].tolist():
            if counts[common] < FEW_ROWS or len(self._shapes) >= MOST_SHAPES:
                return
            self._tried += 1
            place = int(np.argmax(length == common))
            shape = Shape.of(block.record(int(rows[place])), int(group[place]))
            if shape is not None:
                self._shapes.append(shape)


def _columns(block: Block, start: Places, length: int) -> NDArray[np.uint64]:
    """Return rows as words, shape (words, n): bytes behind a row's end are whatever follows it."""
    width = -(-length // 8) * 8
    windows = np.ndarray((len(block.raw) - width + 1,), np.dtype(f"V{width}"), buffer=block.raw, strides=(1,))
    rows = windows[start].view(np.dtype("<u8")).reshape(len(start), width // 8)
    return np.ascontiguousarray(rows.T)


def _words(text: bytes | bytearray) -> Words:
    return np.frombuffer(bytes(text).ljust(-(-len(text) // 8) * 8, b"\0"), np.dtype("<u8"))


def _offset_s(zone: bytes) -> int:
    if zone in b"Zz":
        return 0
    seconds = int(zone[1:3]) * 3600 + int(zone[4:6]) * 60
    return -seconds if zone[:1] == b"-" else seconds
