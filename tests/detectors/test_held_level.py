"""The level that a valve holds, by frames written out here."""

from collections.abc import Sequence

import pytest

from ullage.detectors.held_level import HeldLevel, Point
from ullage.detectors.noise import PressureNoise

FRAME_S = 600.0
SET_BAR = 1.2
NOISE_BAR = 0.001
NEVER_S = -1.0


def frames(bars: Sequence[float], celsius: float = 20.0, begin_s: float = 0.0) -> list[Point]:
    """Return frames of these pressures, bar, at one temperature, °C."""
    return [(begin_s + at * FRAME_S, bar, celsius) for at, bar in enumerate(bars)]


def learned(bars: Sequence[float], changed_s: float = NEVER_S) -> float | None:
    """Return the level learned from frames, bar."""
    held = HeldLevel()
    held.take(frames(bars), SET_BAR, changed_s, NOISE_BAR, cooled=False)
    return held.bar


def test_three_hours_near_the_setting_are_the_valves() -> None:
    """Not an hour less, nor a climb, nor a level from before the valve was set."""
    assert learned([1.19] * 18) == pytest.approx(1.19)
    assert learned([1.19] * 17) is None
    assert learned([1.1 + 0.005 * at for at in range(18)]) is None
    assert learned([1.19] * 18, changed_s=FRAME_S) is None


def test_further_down_it_takes_six_hours() -> None:
    """A slow climb pauses as the fridge cools; and 0.4 bar below the setting nothing is the valve's."""
    assert learned([1.0] * 18) is None
    assert learned([1.0] * 36) == pytest.approx(1.0)
    assert learned([0.8] * 36) is None


def test_a_higher_level_tells_since_when_it_has_stood() -> None:
    """The first stays known, and a level that has crept by ten millibar is no new one."""
    held = HeldLevel()
    held.take(frames([1.1] * 18), SET_BAR, NEVER_S, NOISE_BAR, cooled=False)
    assert held.take(frames([1.11] * 18), SET_BAR, NEVER_S, NOISE_BAR, cooled=False) is None
    higher = frames([1.25] * 18, begin_s=86_400.0)
    assert held.take(higher, SET_BAR, NEVER_S, NOISE_BAR, cooled=False) == 86_400.0
    assert (held.bar, held.first_bar, held.since_s) == (1.25, 1.1, 17 * FRAME_S)


@pytest.mark.parametrize(
    ("below_bar", "celsius", "cooled"), [(0.05, 19.0, True), (0.05, 20.0, False), (0.025, 19.8, False)]
)
def test_cooling_takes_a_pressure_away_from_its_level_and_fading_flow_does_not(
    below_bar: float, celsius: float, cooled: bool
) -> None:
    """Five hundredths of a bar for a kelvin are cooling's, in beer as warm as before they are not; two tenths are a swing."""
    held, noise, warm = HeldLevel(), PressureNoise(), frames([SET_BAR] * 18)
    held.take(warm, SET_BAR, NEVER_S, NOISE_BAR, cooled=False)
    assert not held.left_by_cooling(warm, noise)
    below = [*warm, *frames([SET_BAR - below_bar], celsius, begin_s=18 * FRAME_S)]
    assert held.left_by_cooling(below, noise) is cooled
