"""Rows fall into the same group exactly if vessel, quantity and unit are the same."""

import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.adapters.log_blocks import Block, LineBlocks
from ullage.adapters.log_format import KIND_OF
from ullage.adapters.log_groups import FEW_GROUPS, LONGEST_KEY, Groups
from ullage.adapters.log_words import Places
from ullage.adapters.reading import Quantity

MEASURED = [
    ("temperature", "Cel"),
    ("temperature", "[degF]"),
    ("pressure", "bar"),
    ("pressure", "kPa"),
    ("gravity", ""),
]
NAMES = st.text("abcdefgh 0123456789", min_size=1, max_size=LONGEST_KEY - len("temperature,")).filter(
    lambda name: name == name.strip()
)
ROWS = st.lists(st.tuples(NAMES, st.sampled_from(MEASURED)), min_size=1, max_size=60)


def found(groups: Groups, rows: list[tuple[str, tuple[str, str]]]) -> list[int]:
    """Return the group of each row of a log that holds `vessel,quantity,unit` lines."""
    lines = [(f"{name},{quantity}", unit) for name, (quantity, unit) in rows]
    (block,) = LineBlocks(io.BytesIO("".join(f"{key},{unit}\n" for key, unit in lines).encode()))
    return _groups(groups, block, [len(key.encode()) for key, _ in lines])


def _groups(groups: Groups, block: Block, key_lengths: list[int]) -> list[int]:
    key_stop: Places = block.start + np.array(key_lengths)
    numbers: list[int] = groups.find(block, (block.start, key_stop), (key_stop + 1, block.stop)).tolist()
    return numbers


@given(st.lists(ROWS, min_size=1, max_size=3))
def test_the_same_key_is_the_same_group(logs: list[list[tuple[str, tuple[str, str]]]]) -> None:
    """Block after block, however many keys there are: one number for each, and it says what the key said."""
    groups = Groups()
    number_of: dict[tuple[str, tuple[str, str]], int] = {}
    for rows in logs:
        for row, number in zip(rows, found(groups, rows), strict=True):
            assert number_of.setdefault(row, number) == number
            name, (quantity, _) = row
            assert groups.vessels[number] == name
            assert groups.kinds[number] == KIND_OF[Quantity(quantity)]
    assert len(set(number_of.values())) == len(number_of)


def test_many_vessels_are_told_apart_as_few_are() -> None:
    """Beyond the number up to which keys are compared one by one."""
    rows = [(f"vessel {number}", MEASURED[number % 5]) for number in range(3 * FEW_GROUPS)]
    groups = Groups()
    first = found(groups, rows)
    assert len(set(first)) == len(rows)
    assert found(groups, rows[::-1]) == first[::-1]


@pytest.mark.parametrize(
    "row",
    [
        ("north", ("journal", "")),
        ("north", ("temperature", "bar")),
        ("north", ("colour", "Cel")),
        ("a name that is longer than a key may be", ("temperature", "Cel")),
    ],
)
def test_what_needs_the_strict_parser_has_no_group(row: tuple[str, tuple[str, str]]) -> None:
    """An entry, a unit that is none of the quantity's, an unknown word, a long name; the rows beside it are read."""
    one, other, again = found(Groups(), [("north", ("pressure", "bar")), row, ("north", ("pressure", "bar"))])
    assert (one, other, again) == (0, -1, 0)
