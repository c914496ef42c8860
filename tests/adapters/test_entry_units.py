"""A brewer's own units in journal entries."""

import pytest

from ullage.adapters.entry_units import in_canonical_units
from ullage.adapters.payload import text_of
from ullage.detectors.journal import understand


@pytest.mark.parametrize(
    ("entry", "kept", "number"),
    [
        ("valve set 20 psi", "valve set 1.38 bar", 1.38),
        ("Valve Set  20psi", "valve set 1.38 bar", 1.38),
        ("valve set 150 kPa", "valve set 1.50 bar", 1.5),
        ("valve set 1500 mbar", "valve set 1.50 bar", 1.5),
        ("chill 35 °F", "chill 1.7 °C", 1.7),
        ("chill 35,6f", "chill 2.0 °C", 2.0),
        ("chill 32F", "chill 0.0 °C", 0.0),
    ],
)
def test_a_number_in_another_unit_is_understood(entry: str, kept: str, number: float) -> None:
    """From a terminal, the page or a button: what the detectors read is bar and °C."""
    assert in_canonical_units(entry) == text_of(entry) == kept
    known = understand(kept)
    assert known is not None
    assert known.number == number


@pytest.mark.parametrize(
    "entry",
    [
        "valve set 1.5",
        "valve set 1.5 bar",
        "chill 2",
        "chill 2 psi",
        "valve set 2 F",
        "20 psi",
        "fined 15 mL",
    ],
)
def test_everything_else_stands_as_it_was_written(entry: str) -> None:
    """Canonical units, other words, and units of something else."""
    assert in_canonical_units(entry) == entry
