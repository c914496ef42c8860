"""Tells the repeating columns of many rows apart: vessel, quantity and unit of each row as one small number."""

from collections.abc import Mapping

import numpy as np

from ullage.adapters.log_blocks import Block
from ullage.adapters.log_format import KIND_OF
from ullage.adapters.log_rows import Refused, parse_group, split_record
from ullage.adapters.log_words import Mask, Places, Words, masked
from ullage.adapters.units import Conversion

LONGEST_KEY = 40
"""Bytes of `vessel,quantity`; longer names take the slow way."""
LONGEST_UNIT = 8
MOST_GROUPS = 4096
"""Beyond this the rows take the slow way: no log of real vessels has so many."""
FEW_GROUPS = 16
"""Up to so many are compared one by one, which is faster than a search."""
_KEY_WORDS = LONGEST_KEY // 8
_MIX = [np.uint64(0x9E3779B97F4A7C15 * (2 * place + 1) % 2**64) for place in range(_KEY_WORDS + 2)]
"""Odd, so that no bit of a word is lost."""
_SHIFT = np.uint64(32)

Span = tuple[Places, Places]
"""Where a field of each row begins and ends."""


class Groups:
    """Learns the distinct (vessel, quantity, unit) as they appear; finds them again by comparing whole words.

    Attributes
    ----------
    vessels
        Name of each group's vessel.
    kinds
        Code of each group's quantity.
    conversions
        How each group's numbers become canonical.
    """

    def __init__(self) -> None:
        self.vessels: list[str] = []
        self.kinds: list[int] = []
        self.conversions: list[Conversion] = []
        self._hash = np.empty(0, np.uint64)
        self._group = np.empty(0, np.int64)
        self._key = np.empty((_KEY_WORDS + 2, 0), np.uint64)

    def find(self, block: Block, key: Span, unit: Span) -> Places:
        """Return each row's group, or -1 where the strict parser must look.

        Parameters
        ----------
        block
            The block that the rows stand in.
        key, unit
            Where `vessel,quantity` and the unit stand, shape (n,) each.
        """
        columns, fits = _columns(block.words, key, unit)
        mixed = np.zeros(len(fits), np.uint64)
        for place, column in columns.items():
            mixed += column * _MIX[place]
        mixed ^= mixed >> _SHIFT
        found, known = self._match(columns, mixed)
        new = np.flatnonzero(~known & fits)
        if len(new) and len(self._hash) < MOST_GROUPS:
            _, first = np.unique(mixed[new], return_index=True)
            self._learn(block, key, unit, columns, mixed, new[np.sort(first)][:MOST_GROUPS])
            found, known = self._match(columns, mixed)
        return np.where(known & fits, found, -1)

    def _match(self, columns: Mapping[int, Words], mixed: Words) -> tuple[Places, Mask]:
        if not len(self._hash):
            return np.full(len(mixed), -1), np.zeros(len(mixed), bool)
        if len(self._hash) <= FEW_GROUPS:
            place = np.zeros(len(mixed), np.int64)
            for later in self._hash[1:]:
                place += mixed >= later
        else:
            place = np.searchsorted(self._hash, mixed, side="right") - 1
        known: Mask = self._hash[place] == mixed
        for (
            index,
            column,
        ) in columns.items():  # the lengths are among them: words left out are zero on both sides
            known &= self._key[index][place] == column
        return self._group[place], known

    def _learn(
        self, block: Block, key: Span, unit: Span, columns: Mapping[int, Words], mixed: Words, rows: Places
    ) -> None:
        """Parse the key of one row each; a key without a measured value is remembered as -1."""
        groups = [
            self._parse(
                block.raw[key[0][row] : key[1][row]].tobytes(),
                block.raw[unit[0][row] : unit[1][row]].tobytes(),
            )
            for row in rows.tolist()
        ]
        hashes = np.concatenate((self._hash, mixed[rows]))
        order = np.argsort(hashes, kind="stable")
        self._hash = hashes[order]
        self._group = np.concatenate((self._group, np.array(groups, np.int64)))[order]
        keys = np.zeros((_KEY_WORDS + 2, len(rows)), np.uint64)
        for index, column in columns.items():
            keys[index] = column[rows]
        self._key = np.concatenate((self._key, keys), axis=1)[:, order]

    def _parse(self, key: bytes, unit: bytes) -> int:
        fields = split_record(key + b"," + unit)
        group = fields if isinstance(fields, Refused) else parse_group(*fields)
        if isinstance(group, Refused) or isinstance(fields, Refused) or group[0] not in KIND_OF:
            return -1
        self.vessels.append(fields[0])
        self.kinds.append(KIND_OF[group[0]])
        self.conversions.append(group[1])
        return len(self.vessels) - 1


def _columns(words: Words, key: Span, unit: Span) -> tuple[Mapping[int, Words], Mask]:
    """Everything that tells rows apart, in words by their place in a key; and which rows fit into them."""
    key_length = key[1] - key[0]
    unit_length = unit[1] - unit[0]
    fits: Mask = (key_length <= LONGEST_KEY) & (unit_length <= LONGEST_UNIT)
    shortest, longest = int(key_length.min(initial=LONGEST_KEY)), int(key_length.max(initial=1))
    columns: dict[int, Words] = {}
    for place in range(-(-min(longest, LONGEST_KEY) // 8)):
        at = key[0] + 8 * place
        whole = shortest >= 8 * place + 8
        columns[place] = words[at] if whole else masked(words, at, key_length - 8 * place)
    columns[_KEY_WORDS] = masked(words, unit[0], unit_length)
    lengths = key_length + (unit_length << 8)  # so that a zero byte is no padding
    columns[_KEY_WORDS + 1] = lengths.astype(np.uint64)
    return columns, fits
