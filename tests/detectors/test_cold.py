"""How long the beer has been cold: a swing on the edge is no warming, warming is."""

import pytest

from ullage.detectors.cold import Cold

FRAME_S = 600.0


def spell(*celsius: float, limit_c: float = 3.0, hours: float = 12.0) -> Cold:
    """Return what is known after one frame for each temperature."""
    cold = Cold()
    for number, one_c in enumerate(celsius, 1):
        cold.take(number * FRAME_S, one_c, limit_c, hours)
    return cold


@pytest.mark.parametrize("edge", [(3.2,) * 30, (3.4, 3.4), (9.0,)])
def test_a_swing_on_the_edge_is_no_warming(edge: tuple[float, ...]) -> None:
    """Eleven hours in the cold, then a frame or two above, or hours within a quarter of a kelvin: the count goes on."""
    cold = spell(*[2.5] * 66, *edge, *[2.5] * 12)
    assert cold.since_s == FRAME_S
    assert cold.through_s == FRAME_S + 12 * 3600


def test_half_an_hour_above_begins_anew() -> None:
    """A quarter of a kelvin above for three frames ends a spell that was not long enough yet."""
    cold = spell(*[2.5] * 66, 3.3, 3.3, 3.3, *[2.5] * 12)
    assert cold.through_s is None
    assert cold.since_s == 70 * FRAME_S
    assert cold.warmed_s is None


def test_what_was_long_enough_takes_half_a_kelvin_to_end() -> None:
    """Cold through: 0.4 K above for hours changes nothing, 0.6 K for half an hour does."""
    assert spell(*[2.5] * 80, *[3.4] * 30).through_s is not None
    warmed = spell(*[2.5] * 80, 3.6, 3.6, 3.6)
    assert (warmed.through_s, warmed.since_s) == (None, None)
    assert warmed.warmed_s == 83 * FRAME_S


def test_it_begins_below_the_limit_only() -> None:
    """A fridge that stays 0.1 K above its target never gets there."""
    assert spell(*[3.1] * 100).since_s is None
