"""JSON Pointer against the table of RFC 6901 section 5 and its rules for errors."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.adapters.errors import DataError
from ullage.adapters.json_pointer import JsonPointer

# RFC 6901 section 5
DOCUMENT = json.loads(
    r"""{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}"""
)


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", DOCUMENT), ("/foo", ["bar", "baz"]), ("/foo/0", "bar"), ("/", 0), ("/a~1b", 1), ("/c%d", 2), ("/e^f", 3),
        ("/g|h", 4), ("/i\\j", 5), ('/k"l', 6), ("/ ", 7), ("/m~0n", 8),
    ],
)  # fmt: skip
def test_the_rfcs_own_table(pointer: str, value: object) -> None:
    """Every row of the table resolves to its value."""
    assert JsonPointer(pointer).resolve(DOCUMENT) == value


def test_tilde_zero_one_is_no_slash() -> None:
    """`~01` is `~1`, not `/` (section 4)."""
    assert JsonPointer("/~01").resolve({"~1": 1, "/": 2}) == 1


@pytest.mark.parametrize("pointer", ["foo", "/~", "/a~2", "/~1~", "#/foo"])
def test_what_is_no_pointer_is_refused(pointer: str) -> None:
    """A pointer without its slash or with a stray tilde is a mistake of whoever wrote it."""
    with pytest.raises(DataError, match="pointer"):
        JsonPointer(pointer)


@pytest.mark.parametrize(
    "pointer",
    [
        "/foo/2",
        "/foo/01",
        "/foo/-",
        "/foo/-1",
        "/foo/ 1",
        "/foo/1e0",
        "/foo/٠",
        "/foo/9999999999",
        "/bar",
        "//x",
    ],
)
def test_what_is_not_there_is_not_found(pointer: str) -> None:
    """Indices with leading zeros, `-`, and members that are missing find nothing."""
    with pytest.raises(DataError, match="finds nothing"):
        JsonPointer(pointer).resolve(DOCUMENT)


@given(st.lists(st.text(max_size=6), max_size=5))
def test_any_path_can_be_written(path: list[str]) -> None:
    """A value nested under any names is found by the escaped path to it."""
    document: object = 18.4
    for name in reversed(path):
        document = {name: document}
    pointer = "".join("/" + name.replace("~", "~0").replace("/", "~1") for name in path)
    assert JsonPointer(pointer).resolve(document) == 18.4
