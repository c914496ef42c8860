"""A vessel as its owner describes it: contradictions are answered with field, value and limit."""

from dataclasses import replace

import pytest

from tests.detectors.streams import SEALED, VALVED


def test_the_head_space_is_what_is_left() -> None:
    """Total less beer."""
    assert SEALED.head_space_l == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"beer_volume_l": 23.0}, "beer_volume_l 23 L .* below total_volume_l 23 L"),
        ({"beer_volume_l": 0.0}, "beer_volume_l 0 L must be above 0"),
        ({"rated_pressure_bar": 0.0}, "rated_pressure_bar 0 bar must be above 0"),
        ({"rated_pressure_bar": 250.0}, "rated_pressure_bar 250 bar .* at most 50"),
        ({"valve_pressure_bar": 3.0}, "valve_pressure_bar 3 bar .* below rated_pressure_bar 3 bar"),
        ({"valve_pressure_bar": -1.0}, "valve_pressure_bar -1 bar must be above 0"),
        ({"yeast_temperature_c": (22.0, 16.0)}, r"yeast_temperature_c \[22, 16\] must run from low to high"),
        ({"yeast_temperature_c": (60.0, 70.0)}, "within -5 to 45 °C"),
        ({"original_gravity": 12.0}, "original_gravity 12 must lie between 1.000 and 1.200"),
        ({"air_pressure_bar": 10.13}, "air_pressure_bar 10.13 bar must lie between 0.5 and 1.1"),
    ],
)
def test_contradictions_are_named(wrong: dict[str, object], said: str) -> None:
    """The sentence says which field, what it holds and what it may hold."""
    with pytest.raises(ValueError, match=said):
        replace(VALVED, **wrong)  # type: ignore[arg-type]
