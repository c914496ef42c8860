"""Whole blocks of a log at once: finds the fields, reads what is plain, leaves the rest to the strict parser."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ullage.adapters.log_blocks import LONGEST_RECORD_BYTES, Block
from ullage.adapters.log_format import KIND_OF
from ullage.adapters.log_groups import Groups
from ullage.adapters.log_rows import WideRowParser
from ullage.adapters.log_shapes import Shapes
from ullage.adapters.log_words import Mask, Places, read_decimals, read_times
from ullage.adapters.units import Conversion


@dataclass(frozen=True, slots=True, kw_only=True)
class Plain:
    """What the fast path read of a block of n records.

    `row` numbers the record of each value (rising), `vessel` is an index into `names`, `done` (n,) marks the
    records that need no other look.
    """

    row: Places
    vessel: NDArray[np.int64]
    kind: NDArray[np.uint8]
    time_s: NDArray[np.float64]
    value: NDArray[np.float64]
    names: Sequence[str]
    done: Mask


def _fields(block: Block, width: int, delimiter: int) -> tuple[Places, Places]:
    """Return the records that have `width` fields and no quotation mark, and their delimiters, (n,) and (n, width - 1)."""
    if not len(block.start):
        return np.empty(0, np.int64), np.empty((0, width - 1), np.int64)
    first, last = int(block.start[0]), int(block.stop[-1])
    marks = np.flatnonzero(block.raw[first:last] == delimiter) + first
    between = width - 1
    if len(marks) == between * len(block.start) and not block.quoted.any():
        table = marks.reshape(-1, between)
        if (table[:, 0] >= block.start).all() and (table[:, -1] < block.stop).all():
            return np.arange(len(block.start)), table
    begin = np.searchsorted(marks, block.start)
    count = np.searchsorted(marks, block.stop) - begin
    rows = np.flatnonzero((count == between) & ~block.quoted)
    return rows, marks[begin[rows][:, None] + np.arange(between)]


class LongColumns:
    """Reads blocks of `time,vessel,quantity,value,unit`."""

    def __init__(self) -> None:
        self._groups = Groups()
        self._shapes = Shapes()

    def read(self, block: Block) -> Plain:
        """Read what is plain."""
        count = len(block.start)
        time_s, value, group = np.empty(count), np.empty(count), np.full(count, -1)
        left = self._shapes.read(block, time_s, value, group)
        if len(left):
            self._read_any(block, left, time_s, value, group)
        row = np.arange(count)
        done = group >= 0
        if not done.all():
            row, time_s, value, group = row[done], time_s[done], value[done], group[done]
        _convert(value, group, self._groups.conversions)
        names = list(dict.fromkeys(self._groups.vessels))
        place = {name: index for index, name in enumerate(names)}
        vessel_of = np.array([place[name] for name in self._groups.vessels], np.int64)
        kind_of = np.array(self._groups.kinds, np.uint8)
        return Plain(
            row=row,
            vessel=vessel_of[group],
            kind=kind_of[group],
            time_s=time_s,
            value=value,
            names=names,
            done=done,
        )

    def _read_any(
        self,
        block: Block,
        left: Places,
        time_s: NDArray[np.float64],
        value: NDArray[np.float64],
        group: Places,
    ) -> None:
        """Read the rows `left`, whatever their shape, into the block's columns."""
        part = block if len(left) == len(block.start) else block.part(left)
        rows, comma = _fields(part, 5, ord(","))
        start, stop = part.start[rows], part.stop[rows]
        at_s, good = read_times(part.words, start, comma[:, 0])
        number, fine = read_decimals(part.words, part.raw, comma[:, 2] + 1, comma[:, 3])
        found = self._groups.find(part, (comma[:, 0] + 1, comma[:, 2]), (comma[:, 3] + 1, stop))
        good &= fine & (found >= 0)
        rows, found = left[rows[good]], found[good]
        time_s[rows], value[rows], group[rows] = at_s[good], number[good], found
        self._shapes.learn(block, rows, found)


def _convert(value: NDArray[np.float64], group: Places, conversions: Sequence[Conversion]) -> None:
    """Convert in place; groups of the same unit go together, canonical ones stay."""
    value += 0.0  # no negative zero, as `convert` has it
    unlike = [conversion for conversion in dict.fromkeys(conversions) if conversion != Conversion()]
    if len(unlike) == 1 and all(conversion == unlike[0] for conversion in conversions):
        value[:] = unlike[0].convert(value)
        return
    for conversion in unlike:
        same = np.array([other == conversion for other in conversions])
        mine = same[group]
        value[mine] = conversion.convert(value[mine])


class WideColumns:
    """Reads blocks of a file in which each column is a quantity.

    Parameters
    ----------
    parser
        The strict parser of the same file: it knows the columns.
    """

    def __init__(self, parser: WideRowParser) -> None:
        self._parser = parser
        self._measured = [cell for cell in parser.cells if cell[1] in KIND_OF]
        self._texts = [cell for cell in parser.cells if cell[1] not in KIND_OF]

    def read(self, block: Block) -> Plain:
        """Read what is plain: rows in which every mapped cell is a plain number or empty and no journal text stands."""
        parser = self._parser
        rows, marks = _fields(block, parser.width, ord(parser.delimiter))
        left = np.concatenate((block.start[rows][:, None], marks + 1), axis=1)
        right = np.concatenate((marks, block.stop[rows][:, None]), axis=1)
        time_s, good = self._times(block, left[:, parser.time_index], right[:, parser.time_index])
        for index, _, _ in self._texts:
            good &= left[:, index] == right[:, index]
        values: list[NDArray[np.float64]] = []
        present: list[Mask] = []
        for index, _, conversion in self._measured:
            value, fine = read_decimals(block.words, block.raw, left[:, index], right[:, index])
            empty = left[:, index] == right[:, index]
            good &= fine | empty
            values.append(conversion.convert(value))
            present.append(~empty)
        good &= block.stop[rows] - block.start[rows] <= LONGEST_RECORD_BYTES
        done = np.zeros(len(block.start), bool)
        done[rows[good]] = True
        values, present = values or [np.zeros(len(rows))], present or [np.zeros(len(rows), bool)]
        cells = np.flatnonzero((np.stack(present, axis=1) & good[:, None]).ravel())
        row, column = np.divmod(cells, len(values))
        kinds = np.array([KIND_OF[quantity] for _, quantity, _ in self._measured], np.uint8)
        return Plain(
            row=rows[row],
            vessel=np.zeros(len(row), np.int64),
            kind=kinds[column],
            time_s=time_s[row],
            value=np.stack(values, axis=1).ravel()[cells],
            names=[parser.vessel],
            done=done,
        )

    def _times(self, block: Block, start: Places, stop: Places) -> tuple[NDArray[np.float64], Mask]:
        if self._parser.unix_divisor is None:
            return read_times(block.words, start, stop)
        value, good = read_decimals(block.words, block.raw, start, stop)
        # later times are left to the strict parser, which says what is wrong with them
        return value / self._parser.unix_divisor, good & (np.abs(value) < 1e10 * self._parser.unix_divisor)
