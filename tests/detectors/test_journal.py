"""The brewer's words: each known entry of the log format, and free text that only looks like one."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.detectors.journal import Known, Word, mistake, understand


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
        ("valve set 1.5 bar", Word.VALVE_SET, 1.5),
        ("chill 2°C", Word.CHILL, 2.0),
        ("chill 2 C", Word.CHILL, 2.0),
        ("fined 15 ml", Word.FINED, 15.0),
        ("snooze 12 hours", Word.SNOOZE, 12.0),
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
        "valve set 15 C",
        "valve set 22 psi",
        "valve set 40",
        "chill 80",
        "fined -3",
        "pitched 2 mL",
    ],
)
def test_free_text_is_left_alone(text: str) -> None:
    """A sentence that holds a known word is not an entry."""
    assert understand(text) is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("valve set 40", "`valve set` takes 0 to 10 bar"),
        ("Valve set 1.5 °C", "`valve set` takes 0 to 10 bar"),
        ("chill 80", "`chill` takes -5 to 25 °C"),
        ("pitched 2 mL", "`pitched` takes no mL"),
        ("valve set 1.5 bar", ""),
        ("chill", ""),
        ("the valve was set to 40", ""),
    ],
)
def test_a_number_that_cannot_be_is_named(text: str, said: str) -> None:
    """What was probably mistyped can be said so to whoever types it."""
    assert mistake(text) == said


@given(st.text(max_size=60))
def test_any_text_is_taken(text: str) -> None:
    """Nothing that a brewer can write breaks the journal."""
    understand(text)
