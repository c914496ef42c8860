"""When a fermentation is seen to be past its height, and when that is a guess and says so."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import HOUR_S, SEALED, START_S, VALVED, Batch, every, merged, watch_of
from ullage.detectors.samples import Entry, FloatArray, Kind, Samples
from ullage.detectors.stage import Stage

THIRD = 3.2893
"""Rate x·exp(1 - x) falls to a third of its height at this multiple of the time to the height (root of the equation)."""
GUESS = "time that most worts take"


def slowing(batch: Batch, *more: Samples, entries: tuple[tuple[float, str], ...] = ()) -> tuple[float, str]:
    """Return the hour at which slowing is first shown, and why."""
    watch = watch_of(batch.vessel)
    whole = merged(batch.samples(), *more)
    step = 600
    waiting = list(entries)
    for start in range(0, len(whole), step):
        watch.update(whole.cut(start, min(start + step, len(whole))))
        while waiting and START_S + waiting[0][0] * HOUR_S <= whole.time_s[min(start + step, len(whole)) - 1]:
            hour, text = waiting.pop(0)
            watch.enter(Entry(time_s=START_S + hour * HOUR_S, text=text))
        for change in watch.record.stages:
            if change.stage is Stage.SLOWING:
                return (change.since_s - START_S) / HOUR_S, change.why
    return math.inf, ""


@pytest.mark.parametrize("tail_h", [15.0, 25.0, 60.0])
def test_a_sealed_vessel_shows_it_within_six_hours(tail_h: float) -> None:
    """By its own climb: the rate has fallen to a third of its height."""
    batch = Batch(vessel=SEALED, hours=10 + 4.5 * tail_h, total_g_per_l=3.5, tail_h=tail_h)
    hour, why = slowing(batch)
    assert hour == pytest.approx(10 + THIRD * tail_h, abs=6)
    assert "at its height" in why


def test_a_warm_day_is_no_height_and_a_cool_night_no_end() -> None:
    """A room that swings by a kelvin moves the pressure as much as the yeast does: a day's mean is taken then."""
    tail_h = 60.0

    def room(hours: FloatArray) -> FloatArray:
        return 19.0 + np.sin(2 * np.pi * hours / 24)

    batch = Batch(vessel=SEALED, hours=10 + 4.5 * tail_h, total_g_per_l=3.5, tail_h=tail_h, celsius=room)
    hour, _ = slowing(batch)
    assert hour == pytest.approx(10 + THIRD * tail_h, abs=24)


def test_behind_a_valve_it_is_a_guess_and_says_so() -> None:
    """A smooth valve that nobody shuts: two thirds of the way to ninety percent, near 100 h at 19 °C."""
    batch = Batch(vessel=VALVED, hours=200, opening_bar=1.2, tail_h=20.0)
    hour, why = slowing(batch)
    assert GUESS in why
    assert 40 < hour < 110


def test_a_wort_that_fills_the_vessel_sooner_is_guessed_to_slow_sooner() -> None:
    """Its own beginning is evidence; teeth too fast to be seen are none, and no end either."""
    quick = Batch(vessel=VALVED, hours=250, opening_bar=1.2, blow_down_bar=0.004, tail_h=12.0)
    slow = Batch(vessel=VALVED, hours=250, opening_bar=1.2, blow_down_bar=0.004, tail_h=36.0)
    (quick_h, why), (slow_h, _) = slowing(quick), slowing(slow)
    assert GUESS in why
    assert 1.5 < slow_h / quick_h < 4


def test_a_shut_valve_shows_a_rate_far_below_the_height() -> None:
    """Wound shut at 50 h and 6.7 g/L a day: a third of that is left at 65 h, measured, before the guess for 12 °C."""
    cellar = Batch(
        vessel=VALVED,
        hours=85,
        opening_bar=1.2,
        tail_h=10.0,
        shut=((50, 85),),
        celsius=lambda hours: np.full(len(hours), 12.0),
    )
    hour, why = slowing(cellar, entries=((50.0, "valve shut"),))
    assert "while gas can't leave" in why
    assert 64 < hour < 75


@pytest.mark.parametrize("tail_h", [15.0, 30.0])
def test_a_floating_sensor_shows_it_behind_a_smooth_valve(tail_h: float) -> None:
    """By the fall of half a day; noise of a thousandth, a reading each quarter of an hour."""
    batch = Batch(vessel=VALVED, hours=10 + 5 * tail_h, opening_bar=1.2, tail_h=tail_h)
    time_s = every(900, batch.hours)
    made = batch.made_g_per_l((time_s - START_S) / HOUR_S)
    rng = np.random.default_rng(3)
    shown = 1.048 - 0.038 * made / batch.total_g_per_l + 0.001 * rng.standard_normal(len(time_s))
    hour, why = slowing(batch, Samples.of(Kind.GRAVITY, time_s, shown))
    assert "gravity falls" in why
    assert hour == pytest.approx(10 + THIRD * tail_h, abs=14)


def shown(batch: Batch) -> list[Stage]:
    """Return the stages in the order in which they were shown."""
    watch = watch_of(batch.vessel)
    watch.update(batch.samples())
    return [change.stage for change in watch.record.stages]


def dip(from_h: float, to_h: float, celsius: float) -> Callable[[FloatArray], FloatArray]:
    """Return 19 °C but for a spell: two kelvin an hour there and back."""
    moved_h = (19.0 - celsius) / 2
    corners = [from_h, from_h + moved_h, to_h - moved_h, to_h]
    return lambda hours: np.asarray(np.interp(hours, corners, [19.0, celsius, celsius, 19.0]))


def test_a_fridge_that_runs_away_is_no_chill() -> None:
    """At the height, six kelvin too cold for a day and a half: that is an alarm's affair, not the brewer's chill."""
    stages = shown(Batch(vessel=VALVED, hours=90, opening_bar=1.2, tail_h=20, celsius=dip(30, 66, 13.0)))
    assert Stage.CHILLING not in stages


def test_a_chill_that_was_none_is_taken_back() -> None:
    """The same fridge when fermentation has slowed down: taken for the chill, until the beer is warm again."""
    stages = shown(Batch(vessel=VALVED, hours=190, opening_bar=1.2, tail_h=20, celsius=dip(130, 154, 13.0)))
    first = stages.index(Stage.CHILLING)
    assert stages[first - 1] is Stage.SLOWING
    assert stages[first + 1] is Stage.SLOWING


def test_the_height_of_a_vessel_that_fills_is_seen_though_a_little_left_at_first() -> None:
    """A fall of 20 mbar in the first hour, as air and cold wort make it, is no reason to miss how fast the vessel fills."""
    batch = Batch(vessel=VALVED, hours=40, opening_bar=1.2, tail_h=20)
    samples = batch.samples()
    early = (samples.kind == Kind.PRESSURE) & (samples.time_s < START_S + HOUR_S)
    fallen = replace(samples, value=np.where(early, samples.value + 0.03, samples.value))
    hours = np.arange(0.0, 40.0, 0.5)
    rates = np.diff(batch.made_g_per_l(hours)) * 48
    seen = []
    for given in (samples, fallen):
        watch = watch_of(VALVED)
        watch.update(given)
        seen.append(watch.record.steepest_g_per_l_day)
    assert seen[1] == pytest.approx(seen[0], rel=0.1)
    assert 0.4 * rates.max() < seen[1] <= 1.1 * rates.max()
