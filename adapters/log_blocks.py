"""Cuts a stream of bytes into blocks of whole records, in one buffer that is used again."""

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from io import BufferedIOBase

import numpy as np

from ullage.adapters.log_words import PAD, Bytes, Mask, Places, Words, words_of

BLOCK_BYTES = 3 << 19
"""Large beside what each numpy call costs by itself, small enough for the processor's cache, and fewer than 2^16 rows."""
LONGEST_RECORD_BYTES = 1 << 16
LONGEST_ENTRY_LINES = 32
"""A quoted journal text may run over that many lines; a quote left open costs one row and not the rest."""
_NEWLINE, _RETURN, _QUOTE, _SPACE = (ord(c) for c in '\n\r" ')


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Records of a file: positions of n records in `raw`, valid until the next block is asked for."""

    raw: Bytes
    words: Words
    start: Places
    stop: Places
    """Behind the last character, line end left out."""
    line: Places
    """Number of the line, from 1, where the record begins."""
    quoted: Mask
    """Records that hold a quotation mark."""

    def record(self, index: int) -> bytes:
        """Return one record as it stands in the file."""
        return self.raw[self.start[index] : self.stop[index]].tobytes()

    def without_first(self) -> "Block":
        """Return the block without its first record."""
        return self.part(slice(1, None))

    def part(self, which: Places | slice) -> "Block":
        """Return the block with some of its records alone."""
        return Block(
            raw=self.raw,
            words=self.words,
            start=self.start[which],
            stop=self.stop[which],
            line=self.line[which],
            quoted=self.quoted[which],
        )


class LineBlocks:
    """Iterates over the blocks of a stream.

    Parameters
    ----------
    stream
        Bytes to read; may raise on damage (a truncated gzip file), which ends the stream and sets `broken_off`.
    block_bytes
        How much is read at a time.
    """

    def __init__(self, stream: BufferedIOBase, block_bytes: int = BLOCK_BYTES) -> None:
        self._stream = stream
        self._block_bytes = max(block_bytes, 64)
        self._room = self._block_bytes + 2 * LONGEST_RECORD_BYTES
        self._buffer = np.zeros(self._room + 2 * PAD, np.uint8)
        self._words = words_of(self._buffer)
        self._ended = False
        self._skipping = False
        self.lines = 0
        """Lines handed out so far."""
        self.broken_off = ""
        """What went wrong in the stream, empty if nothing."""

    def __iter__(self) -> Iterator[Block]:
        filled = PAD
        while not self._ended:
            filled = self._fill(filled)
            if self._skipping:
                filled = self._skip(filled)
            block, consumed = self._cut(filled)
            if block is not None:
                yield block
            left = filled - consumed
            self._buffer[PAD : PAD + left] = self._buffer[consumed:filled].copy()
            filled = PAD + left

    def _fill(self, filled: int) -> int:
        view = self._buffer.data
        limit = min(filled + self._block_bytes, self._room + PAD)
        while filled < limit and not self._ended:
            try:
                got = self._stream.readinto1(view[filled:limit])  # so that what precedes damage arrives
            except (EOFError, OSError, zlib.error) as error:
                self.broken_off = str(error) or type(error).__name__
                got = 0
            if not got:
                self._ended = True
                if filled > PAD and self._buffer[filled - 1] != _NEWLINE:
                    self._buffer[filled] = _NEWLINE  # the room behind the limit is there for it
                    filled += 1
            filled += got
        return filled

    def _skip(self, filled: int) -> int:
        """Drop the rest of a line that was too long."""
        found = np.flatnonzero(self._buffer[PAD:filled] == _NEWLINE)
        if not len(found):
            return PAD
        self._skipping = False
        behind = PAD + int(found[0]) + 1
        self._buffer[PAD : PAD + filled - behind] = self._buffer[behind:filled].copy()
        return PAD + filled - behind

    def _cut(self, filled: int) -> tuple[Block | None, int]:
        """Find the records up to `filled`; return them and where the next block begins."""
        text = self._buffer[PAD:filled]
        stop = np.flatnonzero(text == _NEWLINE) + PAD
        if not len(stop):
            if filled - PAD <= LONGEST_RECORD_BYTES or self._ended:
                return None, PAD
            self._skipping = True  # one record stands for the whole line: too long, whoever reads it
            stop = np.array([PAD + LONGEST_RECORD_BYTES + 1])
        start = np.concatenate(([PAD], stop[:-1] + 1))
        line = self.lines + 1 + np.arange(len(stop))
        quotes = np.flatnonzero(text == _QUOTE) + PAD
        if len(quotes):
            start, stop, line = self._join_quoted(start, stop, line, quotes, filled)
        if not len(stop):
            return None, PAD
        self.lines = int(line[-1]) + int(np.count_nonzero(self._buffer[start[-1] : stop[-1]] == _NEWLINE))
        consumed = filled if self._skipping else int(stop[-1]) + 1
        stop = stop - ((self._buffer[stop - 1] == _RETURN) & (stop > start))
        quoted = np.zeros(len(start), bool)
        if len(quotes):
            quoted = np.searchsorted(quotes, start) != np.searchsorted(quotes, stop)
        block = Block(raw=self._buffer, words=self._words, start=start, stop=stop, line=line, quoted=quoted)
        return block, consumed

    def _join_quoted(
        self, start: Places, stop: Places, line: Places, quotes: Places, filled: int
    ) -> tuple[Places, Places, Places]:
        """Join lines that one quoted journal text runs over; hold back one whose end may still come."""
        odd = np.flatnonzero((np.searchsorted(quotes, stop) - np.searchsorted(quotes, start)) % 2)
        keep = np.ones(len(start), bool)
        stop = stop.copy()
        upto = len(start)
        behind = 0
        for place, first in enumerate(odd.tolist()):
            if first < behind or b',journal,"' not in self._buffer[start[first] : stop[first]].tobytes():
                continue
            last = int(odd[place + 1]) if place + 1 < len(odd) else len(start)
            near = last - first < LONGEST_ENTRY_LINES
            if last == len(start):
                if near and not self._ended and filled - start[first] < LONGEST_RECORD_BYTES:
                    upto = first
                    break
            elif near and stop[last] - start[first] <= LONGEST_RECORD_BYTES:
                stop[first] = stop[last]
                keep[first + 1 : last + 1] = False
                behind = last + 1
        keep[upto:] = False
        return start[keep], stop[keep], line[keep]
