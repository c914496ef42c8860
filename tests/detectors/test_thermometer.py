"""What a probe says, in beer or in the fridge's air, by temperatures written out here."""

import math

import numpy as np
import pytest

from ullage.detectors.thermometer import BEER_LAG_H, Thermometer
from ullage.detectors.vessel import Probe

HOUR_S = 3600.0
UNSEEN = (math.nan, math.nan)


def test_in_beer_it_is_what_the_probe_says_and_in_air_it_lags() -> None:
    """Air ten kelvin colder takes beer 63 % of the way within one lag."""
    beer, air = Thermometer(probe=Probe.BEER), Thermometer(probe=Probe.AIR)
    for thermometer in (beer, air):
        thermometer.take(0.0, 20.0, UNSEEN)
        for hour in np.arange(0, BEER_LAG_H + 0.01, 0.1):
            thermometer.take(hour * HOUR_S, 10.0, UNSEEN)
    assert beer.beer_c == 10.0
    assert air.beer_c == pytest.approx(20 - 10 * (1 - math.exp(-1)), abs=0.1)


def test_a_probe_that_says_nothing_changes_nothing() -> None:
    """A frame without a temperature."""
    thermometer = Thermometer(probe=Probe.BEER)
    thermometer.take(0.0, 20.0, UNSEEN)
    assert thermometer.take(HOUR_S, math.nan, UNSEEN) == 20.0
    assert thermometer.last_s == 0.0


def test_a_small_vessel_that_its_fridge_rules_is_no_air() -> None:
    """Ten litres swing by a quarter of a kelvin in two hours; what was taken for air is beer again once it is calm."""
    thermometer = Thermometer(probe=Probe.UNKNOWN)

    def swings(amplitude_k: float, hours: float) -> None:
        begun_h = 0.0 if math.isinf(thermometer.last_s) else thermometer.last_s / HOUR_S
        for hour in begun_h + np.arange(1 / 6, hours, 1 / 6):
            at = [18.0 + amplitude_k * math.sin(math.pi * (hour - back)) for back in (0.0, 0.5, 1.0)]
            thermometer.take(hour * HOUR_S, at[0], (at[1], at[2]))

    swings(0.3, 48)  # |second difference| of half hours: 0.38 K on the mean
    assert not thermometer.in_air
    swings(0.5, 48)
    assert thermometer.in_air
    swings(0.35, 48)
    assert thermometer.in_air
    swings(0.2, 48)
    assert not thermometer.in_air
