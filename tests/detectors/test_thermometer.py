"""Where a probe sits: air that a fridge drives up and down, or beer that follows it."""

from collections.abc import Sequence

import numpy as np
import pytest

from tests.detectors.streams import HOUR_S, START_S
from ullage.detectors.samples import FloatArray
from ullage.detectors.thermometer import FIRST_H, WINDOW_S, Thermometer
from ullage.detectors.vessel import Probe


def ruled_by_its_beer(
    tau_h: float, *, either_way_k: float = 0.5, hours: float = 72.0, set_c: float = 19.0
) -> tuple[FloatArray, FloatArray]:
    """Return beer and air, °C, once in ten minutes: a fridge that a probe in the beer turns on and off."""
    step_h = 1 / 60
    beer = air = set_c
    cools, out = False, []
    for _ in range(int(hours / step_h)):
        cools = beer > set_c + either_way_k or (cools and beer > set_c)
        target_c, lag_h = (3.0, 0.25) if cools else (set_c + 4, 0.8)  # the cold plate, and the room's warmth
        air += (target_c - air) * step_h / lag_h
        beer += (air - beer + 2.0) * step_h / tau_h  # yeast warms it
        out.append((beer, air))
    return np.array(out)[::10, 0], np.array(out)[::10, 1]


def taken(
    celsius: Sequence[float] | FloatArray, *, every_h: float = 1 / 6, probe: Probe = Probe.UNKNOWN
) -> list[bool]:
    """Return, reading by reading, whether the probe is taken to be in air."""
    thermometer, said = Thermometer(probe=probe), []
    for row, value in enumerate(celsius):
        thermometer.take(START_S + row * every_h * HOUR_S, float(value))
        said.append(thermometer.in_air)
    return said


@pytest.mark.parametrize("tau_h", [3.0, 5.0, 8.0])
def test_beer_that_its_fridge_is_ruled_by_is_no_air(tau_h: float) -> None:
    """Ten litres (a lag of three hours) to forty, half a kelvin either way: beer swings by about a kelvin, its air by many."""
    beer, air = ruled_by_its_beer(tau_h)
    assert 0.5 < np.ptp(beer[72:]) < 1.5
    assert np.ptp(air[72:]) > 5
    assert not any(taken(beer))
    assert all(taken(air)[36:])


def test_a_chill_of_such_beer_is_no_air() -> None:
    """It begins with a sharp bend and falls by two kelvin an hour."""
    beer, _ = ruled_by_its_beer(5.0)
    hours = np.arange(0.0, 48.0, 1 / 6)
    chilled = 3.0 + (beer[-1] - 3.0) * np.exp(-hours / 7.0)
    assert not any(taken(np.concatenate([beer, chilled])))


def test_air_of_a_fridge_that_holds_it_closely() -> None:
    """Three quarters of a kelvin either way, once in eighty minutes, is air; it is known within five hours."""
    hours = np.arange(0.0, 48.0, 1 / 6)
    said = taken(18.0 + 0.75 * np.sin(2 * np.pi * hours / (4 / 3)))
    assert all(said[int((FIRST_H + WINDOW_S / HOUR_S) * 6) + 1 :])


def test_what_was_taken_for_air_is_beer_again_once_it_is_calm() -> None:
    """A probe that was put into the beer later; between the limits it stays what it was."""
    hours = np.arange(0.0, 48.0, 1 / 6)
    at = np.sin(np.pi * hours)
    said = taken(np.concatenate([18 + 0.55 * at, 18 + 0.9 * at, 18 + 0.72 * at, 18 + 0.3 * at]))
    ends = [said[int(48 * 6 * part) - 1] for part in (1, 2, 3, 4)]
    assert ends == [False, True, True, False]


def test_slow_readings_tell_it_as_well() -> None:
    """A reading in twenty minutes is enough; one in an hour shows no swing, and nothing is said."""
    hours = np.arange(0.0, 48.0, 1 / 3)
    assert taken(18.0 + 1.2 * np.sin(2 * np.pi * hours / 1.4), every_h=1 / 3)[-1]
    hourly = np.arange(0.0, 48.0)
    assert not any(taken(18.0 + 3 * np.sin(hourly * 2.4), every_h=1.0))


def test_a_probe_in_air_gives_a_lagged_beer_and_one_in_beer_what_it_says() -> None:
    """Declared, there is nothing to find out."""
    in_air, in_beer = Thermometer(probe=Probe.AIR), Thermometer(probe=Probe.BEER)
    for row in range(7):
        for thermometer in (in_air, in_beer):
            thermometer.take(START_S + row * HOUR_S, 10.0 if row else 20.0)
    assert in_air.beer_c == pytest.approx(10 + 10 * np.exp(-1), abs=0.01)  # after six hours, the lag
    assert in_beer.beer_c == 10.0
