"""Cold through: by the beer's temperature, for long enough, and only while somebody looks."""

from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import (
    HOUR_S,
    SEALED,
    START_S,
    every,
    feed,
    hours_in,
    merged,
    of,
    pressure,
    silenced,
    stream,
    temperature,
    watch_of,
)
from ullage.detectors.activity import Activity
from ullage.detectors.chilled import Chilled
from ullage.detectors.finding import Condition, Finding
from ullage.detectors.samples import FloatArray, Kind
from ullage.detectors.vessel import Probe, Vessel

BEER = replace(SEALED, probe=Probe.BEER)


def said(
    celsius: FloatArray,
    *entries: tuple[float, str],
    vessel: Vessel = BEER,
    deaf: tuple[float, float] = (0, 0),
) -> list[Finding]:
    """Return what is said; a temperature a minute, missing between the hours `deaf`."""
    time_s = every(60, len(celsius) / 60)
    both = merged(temperature(time_s, celsius), pressure(time_s, np.full(len(celsius), 1.0)))
    given = stream(
        silenced(both, Kind.TEMPERATURE, *deaf), *((START_S + h * HOUR_S, text) for h, text in entries)
    )
    return of(feed(watch_of(vessel, (Activity, Chilled)), given), Condition.CHILLED)


def ramp(hours: float, *points: tuple[float, float]) -> FloatArray:
    """Return a temperature a minute by straight lines through (hour, °C)."""
    at = np.arange(0.0, hours, 1 / 60)
    return np.asarray(np.interp(at, [h for h, _ in points], [c for _, c in points]), float)


def test_twelve_hours_of_cold_are_told_once() -> None:
    """At 5 °C or less for twelve hours (common practice): noted once."""
    (found,) = said(ramp(60, (0, 18), (10, 18), (20, 4.0)))
    assert hours_in(found) == pytest.approx(19.3 + 12, abs=0.4)
    assert found.value == pytest.approx(4.0)


def test_the_target_of_the_journal_counts() -> None:
    """`chill 1` means within a kelvin of 1 °C: 4 °C is not there yet."""
    assert said(ramp(60, (0, 18), (10, 18), (20, 4.0)), (10.0, "chill 1")) == []
    (found,) = said(ramp(60, (0, 18), (10, 18), (20, 1.5)), (10.0, "chill 1"))
    assert found.limit == 2.0


def test_a_warm_spell_starts_the_count_anew() -> None:
    """Eight hours cold, one warm, eight cold: not twelve hours."""
    twice = ramp(40, (0, 18), (1, 4), (9, 4), (9.1, 8), (10, 8), (10.1, 4), (18, 4), (18.1, 8))
    assert said(twice) == []


def test_a_probe_in_air_is_not_the_beer() -> None:
    """Air at 2 °C: the beer follows with its lag, and the count starts when it is there."""
    air = replace(SEALED, probe=Probe.AIR)
    (found,) = said(ramp(72, (0, 18), (10, 18), (10.01, 2.0)), vessel=air)
    lag_h = 6.0 * np.log((18 - 2) / (5 - 2))
    assert hours_in(found) == pytest.approx(10 + lag_h + 12, abs=0.5)


def test_a_probe_that_dies_in_the_cold_proves_nothing() -> None:
    """The last word was cold, then silence: no verdict while nobody looks, nor from the hours in between."""
    cold = ramp(60, (0, 18), (10, 18), (20, 4.0))
    assert said(cold, deaf=(22, 60)) == []
    (found,) = said(cold, deaf=(22, 40))
    assert hours_in(found) == pytest.approx(40 + 12, abs=0.4)
