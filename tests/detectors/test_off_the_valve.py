"""A smooth valve's pressure that leaves the valve in cool hours: asked about sooner, and only when little is made.

Mass balances of beer and head space, written out in `streams.Batch`; vessel and wort are invented.
"""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import (
    HOUR_S,
    VALVED,
    Batch,
    Stream,
    feed,
    hours_in,
    noisy,
    of,
    verdicts,
    watch_of,
)
from ullage.detectors.finding import Condition, Finding
from ullage.detectors.samples import FloatArray
from ullage.detectors.vessel import Probe

SWING_K, SWING_H = 0.3, 6.0
COOLED = "cool hours take the pressure off the valve"


def fridge(hours: FloatArray) -> FloatArray:
    """Return the beer's temperature in a fridge that swings."""
    return 19.0 + SWING_K * np.sin(2 * math.pi * hours / SWING_H)


def steady(hours: FloatArray) -> FloatArray:
    """Return the beer's temperature in a fridge that does not."""
    return np.full(len(hours), 19.0)


def questions(
    celsius: Callable[[FloatArray], FloatArray], *, tail_h: float = 8.0, hours: float = 150.0
) -> tuple[Batch, list[Finding]]:
    """Return a batch behind a smooth valve that nobody shuts, and what is asked about it."""
    batch = Batch(vessel=VALVED, hours=hours, opening_bar=1.2, tail_h=tail_h, celsius=celsius)
    return batch, of(verdicts(VALVED, batch.samples()), Condition.FINISH_SUSPECTED)


def left_g_per_l(batch: Batch, at_h: float) -> float:
    """Return the CO2 still to come at an hour."""
    return batch.total_g_per_l - float(batch.made_g_per_l(np.array([at_h]))[0])


def test_a_pressure_that_leaves_the_valve_in_cool_hours_is_asked_about_sooner() -> None:
    """A quick wort: in a steady fridge time alone asks, when it has long been over."""
    batch, (by_cool, *_) = questions(fridge)
    _, (by_time, *_) = questions(steady)
    assert by_cool.evidence[0].startswith(COOLED)
    assert not by_time.evidence[0].startswith(COOLED)
    assert hours_in(by_cool) <= hours_in(by_time) - 12
    assert left_g_per_l(batch, hours_in(by_cool)) < 0.05 * batch.total_g_per_l


@pytest.mark.parametrize("tail_h", [15.0, 25.0, 40.0])
def test_while_much_is_made_cool_hours_do_not_show(tail_h: float) -> None:
    """0.3 K within three hours ask for 0.03 g/L at most: as long as more is made than that, the valve goes on passing."""
    batch, asked = questions(fridge, tail_h=tail_h, hours=400.0)
    cool = [hours_in(one) for one in asked if one.evidence[0].startswith(COOLED)]
    assert all(left_g_per_l(batch, at_h) < 0.1 * batch.total_g_per_l for at_h in cool)


def rate_g_per_l_day(batch: Batch, at_h: float) -> float:
    """Return what is made about an hour."""
    made = batch.made_g_per_l(np.array([at_h - 0.5, at_h + 0.5]))
    return float(made[1] - made[0]) * 24


@pytest.mark.parametrize(("swing_k", "swing_h"), [(0.5, 2.0), (0.6, 3.0)])
@pytest.mark.parametrize("tail_h", [20.0, 30.0])
def test_beer_that_cools_fast_takes_up_much_and_shows_little(
    swing_k: float, swing_h: float, tail_h: float
) -> None:
    """A fridge ruled by its beer cools it by 1.2 to 1.6 K an hour: up to 3 to 4 g/L a day hide behind that."""
    batch = Batch(
        vessel=replace(VALVED, probe=Probe.BEER),
        hours=300.0,
        opening_bar=1.2,
        tail_h=tail_h,
        celsius=lambda hours: 19.0 + swing_k * np.sin(2 * math.pi * hours / swing_h),
    )
    asked = of(verdicts(batch.vessel, batch.samples()), Condition.FINISH_SUSPECTED)
    cool = [hours_in(one) for one in asked if one.evidence[0].startswith(COOLED)]
    assert all(rate_g_per_l_day(batch, at_h) < 1.0 for at_h in cool)


@pytest.mark.parametrize("by_bar", [0.1, 0.03, 0.015, -0.015, -0.03, -0.1])
def test_a_valve_that_was_turned_is_no_cool_hour(by_bar: float) -> None:
    """Turned while two thirds are still to come, nothing written down: two levels within a day are no wandering."""
    batch = Batch(vessel=VALVED, hours=100.0, opening_bar=1.2, tail_h=40.0, celsius=steady)
    samples = batch.samples()
    other = replace(batch, opening_bar=1.2 + by_bar).samples()
    turned = np.where(samples.time_s - samples.time_s[0] > 60 * HOUR_S, other.value, samples.value)
    asked = of(verdicts(VALVED, replace(samples, value=turned)), Condition.FINISH_SUSPECTED)
    assert not any(one.evidence[0].startswith(COOLED) for one in asked)


def test_a_vessel_that_is_shut_for_a_while_is_no_cool_hour() -> None:
    """A test far too early that nobody wrote down: what climbs shows that much is made."""
    batch = Batch(
        vessel=VALVED, hours=100.0, opening_bar=1.2, tail_h=40.0, celsius=steady, shut=((70.0, 70.5),)
    )
    asked = of(verdicts(VALVED, batch.samples()), Condition.FINISH_SUSPECTED)
    assert not any(one.evidence[0].startswith(COOLED) for one in asked)


def test_a_level_that_only_rises_was_taken_off_by_no_cool_hour() -> None:
    """Higher by the hour, now faster, now slower, and never lower: a valve that creeps."""
    at_h = np.arange(0.0, 130.0, 1 / 60)
    since_h = np.maximum(at_h - 60, 0)
    bars = 1.2 * np.minimum(at_h / 8, 1) + 0.004 * since_h + 0.014 * np.sin(2 * math.pi * since_h / 24)
    watch = watch_of(VALVED)
    asked = of(
        feed(watch, Stream(samples=noisy(at_h, bars, 19.0, seed=1, noise_bar=0.0))),
        Condition.FINISH_SUSPECTED,
    )
    assert not [one for one in asked if one.evidence[0].startswith(COOLED)]
    assert not watch.failures
