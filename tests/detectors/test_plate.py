"""Cautions about a valve that stands above the vessel's plate."""

import pytest

from tests.detectors.streams import VALVED
from ullage.detectors.plate import held_caution, set_caution

PLATE_BAR = VALVED.rated_pressure_bar


@pytest.mark.parametrize("bar", [None, 1.2, PLATE_BAR - 0.01])
def test_below_the_plate_nothing_is_said(bar: float | None) -> None:
    """Nor where nothing is known."""
    assert set_caution(VALVED, bar) == held_caution(VALVED, bar) == ""


def test_at_the_plate_both_numbers_and_what_to_do_are_said() -> None:
    """The plate's own pressure is too much for a valve: the relief valve opens there."""
    for said in (set_caution(VALVED, PLATE_BAR), held_caution(VALVED, PLATE_BAR)):
        assert said.count(f"{PLATE_BAR:.2f} bar") == 2
        assert "turn it out now" in said
