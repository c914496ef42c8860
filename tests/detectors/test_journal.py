"""The brewer's words: each known entry of the log format, and free text that only looks like one."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.detectors.journal import Known, Word, understand


@pytest.mark.parametrize(
    ("text", "word", "number"),
    [
        ("pitched", Word.PITCHED, None),
        ("valve set 1.5", Word.VALVE_SET, 1.5),
        ("valve shut", Word.VALVE_SHUT, None),
        ("valve opened", Word.VALVE_OPENED, None),
        ("vented", Word.VENTED, None),
        ("chill 2", Word.CHILL, 2.0),
        ("chill", Word.CHILL, None),
        ("chill -1.5", Word.CHILL, -1.5),
        ("fined 15", Word.FINED, 15.0),
        ("tapped", Word.TAPPED, None),
        ("  Valve   SET  1,5 ", Word.VALVE_SET, 1.5),
    ],
)
def test_known_entries(text: str, word: Word, number: float | None) -> None:
    """The entries of the log format, however they are spaced and written."""
    known = understand(text)
    assert known is not None
    assert (known.word, known.number) == (word, number)
    assert isinstance(known, Known)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "the valve shut itself",
        "pitched two packs",
        "valve",
        "valve set high",
        "chilling",
        "vented?",
        "1.5",
        "chill 2 °C!",
    ],
)
def test_free_text_is_left_alone(text: str) -> None:
    """A sentence that holds a known word is not an entry."""
    assert understand(text) is None


@given(st.text(max_size=60))
def test_any_text_is_taken(text: str) -> None:
    """Nothing that a brewer can write breaks the journal."""
    understand(text)
