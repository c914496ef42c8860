"""Pressure on its way to the rated limit: told in time, with the right hour, and not while a valve is still to open."""

import itertools
import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.detectors.streams import (
    HOUR_S,
    SEALED,
    START_S,
    VALVED,
    every,
    feed,
    hours_in,
    merged,
    of,
    pressure,
    stream,
    temperature,
    verdicts,
    watch_of,
)
from ullage.detectors.finding import Condition, Finding, State
from ullage.detectors.pressure_rising import PressureRising
from ullage.detectors.samples import Entry, FloatArray
from ullage.detectors.vessel import Vessel

TWO_BAR = Vessel(
    name="v", total_volume_l=23, beer_volume_l=20, rated_pressure_bar=2.0, valve_pressure_bar=1.5
)
"""Its plate is half a bar above the valve."""


def said(
    vessel: Vessel, bar_at: Callable[[FloatArray], FloatArray], hours: float = 24.0, *, interval_s: float = 30, noise: float = 0.002,
    words: tuple[tuple[float, str], ...] = (),
) -> list[Finding]:  # fmt: skip
    """Return what is found in a pressure that is a function of the hour."""
    time_s = every(interval_s, hours)
    rng = np.random.default_rng(1)
    value = bar_at((time_s - START_S) / HOUR_S) + noise * rng.standard_normal(len(time_s))
    watch = watch_of(vessel, (PressureRising,))
    found: list[Finding] = []
    at = 0
    for hour, text in (*words, (hours, "")):
        row = int(np.searchsorted(time_s, START_S + hour * HOUR_S))
        found += watch.update(pressure(time_s[at:row], value[at:row]))
        if text:
            found += watch.enter(Entry(time_s=START_S + hour * HOUR_S, text=text))
        at = row
    return found


@pytest.mark.parametrize("bar_per_h", [0.1, 0.3, 1.0, 3.0])
def test_a_ramp_is_told_with_time_to_act(bar_per_h: float) -> None:
    """At 0.1 to 3 bar an hour: raised once, above six tenths of the limit, two hours or less before it is reached."""
    found = said(SEALED, lambda h: np.minimum(1.0 + bar_per_h * h, 2.98), 20.0)
    raised = found[0]
    assert (raised.condition, raised.state) == (Condition.PRESSURE_RISING, State.RAISED)
    left_h = (3.0 - 1.0) / bar_per_h - hours_in(raised)
    assert 0.1 < left_h <= 2.1
    assert [f.state for f in found].count(State.RAISED) == 1


@pytest.mark.parametrize("bar_per_h", [0.3, 0.6])
def test_the_hour_that_it_names_is_right(bar_per_h: float) -> None:
    """The time to the limit is within a tenth of the true one."""
    (raised, *_) = said(SEALED, lambda h: 1.0 + bar_per_h * h, 5.0, noise=0.001)
    number, unit = re.search(r"in about ([\d.]+) (min|h)\.", raised.text).groups()  # type: ignore[union-attr]
    named_h = float(number) / (60 if unit == "min" else 1)
    assert named_h == pytest.approx((3.0 - raised.value) / bar_per_h, rel=0.1)  # type: ignore[operator]


def test_a_slow_rise_is_left_alone() -> None:
    """Forty hours from the limit there is no hurry."""
    assert said(SEALED, lambda h: 2.0 + 0.02 * h) == []


def test_below_six_tenths_there_is_no_hurry() -> None:
    """A charge that rises quickly from nothing is no alarm until it comes near."""
    assert said(SEALED, lambda h: np.minimum(1.2 * h, 1.7)) == []


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), level=st.floats(1.9, 2.9), noise=st.sampled_from([0.001, 0.005, 0.02]))
def test_noise_and_spikes_are_no_rise(seed: int, level: float, noise: float) -> None:
    """A level near the limit with noise and single wild values raises nothing."""
    rng = np.random.default_rng(seed)
    time_s = every(30, 12)
    value = level + noise * rng.standard_normal(len(time_s))
    value[rng.random(len(value)) < 0.01] = 9.9
    assert watch_of(SEALED, (PressureRising,)).update(pressure(time_s, value)) == ()


def test_a_valve_that_has_yet_to_open_is_awaited() -> None:
    """On the way to its valve's setting, and 0.3 bar above it, a vessel is left in peace."""
    assert said(TWO_BAR, lambda h: np.minimum(0.4 * h, 1.75)) == []


def test_a_stuck_valve_is_named() -> None:
    """Once clearly above where the valve should have opened, that is what is said."""
    (raised, *_) = said(VALVED, lambda h: 0.5 * h, 5.5)
    assert "should have opened at 1.20 bar" in raised.text
    assert raised.value is not None
    assert raised.value < 3.0


def test_during_a_test_there_is_no_valve() -> None:
    """With `valve shut` in the journal the limit alone counts, and the advice is to open it."""
    (raised, *_) = said(TWO_BAR, lambda h: 1.0 + 0.4 * h, 2.4, words=((0.1, "valve shut"),))
    assert raised.value is not None
    assert raised.value < 1.5
    assert "Open the valve" in raised.text
    assert (
        said(TWO_BAR, lambda h: 1.0 + 0.4 * h, 1.9, words=((0.1, "valve shut"), (0.2, "valve opened"))) == []
    )


def test_what_rose_before_the_valve_was_opened_is_past() -> None:
    """A test is ended two hours before the limit; minutes later, as the pressure turns, no valve is said to stick."""
    vessel = replace(TWO_BAR, rated_pressure_bar=4.0, valve_pressure_bar=1.2)
    words = ((0.0, "valve shut"), (1.99, "valve opened"))
    assert not said(vessel, lambda h: np.minimum(2.4 + 0.4 * h, 3.232 - 3 * (h - 2.08)), 2.3, words=words)


def test_a_valve_set_above_the_plate_is_not_awaited() -> None:
    """Whoever sets it to 2.4 bar in a vessel of 2 bar is warned before the limit, and told that the setting is at fault."""
    (raised, *_) = said(TWO_BAR, lambda h: 1.0 + 0.4 * h, 2.4, words=((0.1, "valve set 2.4"),))
    assert raised.value is not None
    assert raised.value < 1.5
    assert "set to 2.40 bar, and the vessel's plate allows 2.00 bar" in raised.text


def test_a_valve_set_close_to_the_plate_is_not_awaited_beyond_it() -> None:
    """Set to 1.8 of 2 bar: the spread that a valve is granted must not reach the plate, or nobody would be warned."""
    (raised, *_) = said(replace(TWO_BAR, valve_pressure_bar=1.8), lambda h: 1.0 + 0.4 * h, 2.4)
    assert raised.value is not None
    assert 1.85 < raised.value < 1.95


def test_a_new_setting_counts() -> None:
    """`valve set 0.8` moves where the valve is expected to open."""
    (raised, *_) = said(TWO_BAR, lambda h: 0.8 + 0.4 * h, 2.0, words=((0.1, "valve set 0.8"),))
    assert "0.80 bar" in raised.text


def test_it_is_over_after_half_an_hour_of_calm() -> None:
    """Cleared when the pressure has stood for half an hour, not at the first level minute."""
    found = said(SEALED, lambda h: np.minimum(1.8 + 0.5 * h, 2.5), 6.0)
    assert [f.state for f in found] == [State.RAISED, State.CLEARED]
    assert 1.4 + 0.5 < hours_in(found[1]) < 1.4 + 0.5 + 0.7


def test_one_reading_in_five_minutes_is_enough() -> None:
    """A slow sensor still gets its warning before the limit."""
    found = said(SEALED, lambda h: 1.0 + 0.5 * h, 3.9, interval_s=240, noise=0.001)
    assert found
    assert hours_in(found[0]) < 3.5


def test_a_vessel_without_a_valve_is_not_told_to_open_one() -> None:
    """What there is to do is to let gas off."""
    raised = said(SEALED, lambda hours: 0.3 * hours, 9.5)[0]
    assert "Let gas off." in raised.text
    assert "valve to end" not in raised.text


@pytest.mark.parametrize("setting", [0.8, 1.7])
def test_a_valve_that_was_opened_again_is_where_it_was_set(setting: float) -> None:
    """`valve set`, a test, `valve opened`: not the configuration's setting counts then, but the last one."""
    words = ((0.0, f"valve set {setting}"), (0.01, "valve shut"), (0.02, "valve opened"))
    (raised, *_) = said(TWO_BAR, lambda h: 0.8 + 0.3 * h, 3.9, words=words)
    assert f"should have opened at {setting:.2f} bar" in raised.text


def test_above_the_limit_nothing_is_said_to_be_on_its_way_there() -> None:
    """A vessel that comes up within two minutes has its over-pressure alarm: no "about 0 min" beside it."""
    assert said(TWO_BAR, lambda h: np.where(h < 1, 1.0, 2.3 + 0.3 * h), 2.0) == []


def in_steps(time_s: FloatArray, bar: FloatArray, *, noise: float, seed: int) -> FloatArray:
    """Return what a converter of ten bits over seven bar says."""
    step_bar = 0.0085
    noisy = bar + noise * np.random.default_rng(seed).standard_normal(len(time_s))
    return np.asarray(np.round(noisy / step_bar) * step_bar)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("bar_per_h", [0.1, 0.2])
def test_a_coarse_and_slow_sensor_gets_its_warning(bar_per_h: float, seed: int) -> None:
    """Readings five minutes apart in steps of 8.5 mbar: told at least half an hour before the limit."""
    vessel = replace(VALVED, rated_pressure_bar=2.0)
    time_s = every(300, 30)
    bar = np.clip(1.2 + bar_per_h * ((time_s - START_S) / HOUR_S - 20), 1.2, 1.98)
    shown = in_steps(time_s, bar, noise=0.005, seed=seed)
    found = watch_of(vessel, (PressureRising,)).update(pressure(time_s, shown))
    assert found
    left_h = 20 + 0.8 / bar_per_h - hours_in(found[0])
    assert 0.5 < left_h <= 7.0, "behind a stuck valve a slow climb counts from six hours off"


@pytest.mark.parametrize("noise", [0.002, 0.005, 0.02])
@pytest.mark.parametrize("interval_s", [120, 300, 600, 900, 1800])
def test_steps_and_spikes_of_a_slow_sensor_are_no_rise(interval_s: float, noise: float) -> None:
    """A coarse sensor's level near the limit, with noise and single wild values, raises nothing in a week."""
    for seed in range(3):
        rng = np.random.default_rng(seed)
        time_s = every(interval_s, 168)
        value = in_steps(time_s, np.full(len(time_s), rng.uniform(2.2, 2.85)), noise=noise, seed=seed)
        value[rng.random(len(value)) < 0.02] = rng.choice([2.97, 9.9, 0.0])
        assert watch_of(SEALED, (PressureRising,)).update(pressure(time_s, value)) == ()


@pytest.mark.parametrize("cut", [1, 7, 100])
def test_how_a_slow_stream_was_cut_changes_nothing(cut: int) -> None:
    """Temperatures between sparse pressures, fed in blocks of any size: the same warning."""
    time_s = every(300, 10)
    shown = in_steps(time_s, 1.0 + 0.2 * (time_s - START_S) / HOUR_S, noise=0.005, seed=1)
    samples = merged(pressure(time_s, shown), temperature(every(20, 10), np.full(1800, 19.0)))
    whole = watch_of(SEALED, (PressureRising,)).update(samples)
    pieces = feed(watch_of(SEALED, (PressureRising,)), stream(samples), range(cut, len(samples), cut))
    assert whole
    assert list(whole) == pieces


def test_what_comes_later_in_a_block_settles_nothing_before_it() -> None:
    """A finer step is seen only after the warning: its evidence is the same in one block and in many."""
    time_s = every(300, 10)
    hours = np.arange(len(time_s)) / 12
    value = 0.9 + 0.4 * np.minimum(hours, 4)
    value[hours > 4] += 0.0003 * np.arange((hours > 4).sum())
    samples = pressure(time_s, value)
    whole = of(verdicts(SEALED, samples), Condition.PRESSURE_RISING)
    cut = of(verdicts(SEALED, samples, range(0, len(samples), 3)), Condition.PRESSURE_RISING)
    assert whole
    assert [one.evidence for one in whole] == [one.evidence for one in cut]


STUCK_BAR_PER_H = 0.03


def stuck(time_s: FloatArray) -> FloatArray:
    """Return the pressure of a cold lager behind a valve that never opened: from 0.3 bar on, 30 mbar an hour."""
    noise = 0.004 * np.random.default_rng(5).standard_normal(len(time_s))
    return np.asarray(0.3 + STUCK_BAR_PER_H * (time_s - START_S) / HOUR_S + noise)


def test_a_valve_that_is_stuck_in_the_cold_is_told_hours_ahead() -> None:
    """A reading in five minutes with 4 mbar of noise: no line through twenty minutes shows it, and the plate is near in 57 h."""
    time_s = every(300, 60)
    found = feed(watch_of(TWO_BAR, (PressureRising,)), stream(pressure(time_s, stuck(time_s))))
    (raised,) = of(found, Condition.PRESSURE_RISING)
    limit_h = (2.0 - 0.3) / STUCK_BAR_PER_H
    assert 4 <= limit_h - hours_in(raised) <= 7
    assert "should have opened at 1.50 bar and has not" in raised.text
    assert hours_in_text(raised) == pytest.approx(limit_h - hours_in(raised), abs=1.0)


def hours_in_text(one: Finding) -> float:
    """Return the hours to the limit that a message says."""
    said_h = re.search(r"in about ([\d.]+) h", one.text)
    assert said_h is not None, one.text
    return float(said_h[1])


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(1, 719), max_size=6))
def test_a_slow_climb_is_told_alike_however_the_stream_is_cut(cuts: list[int]) -> None:
    """One block, or several: the same finding at the same moment."""
    time_s = every(300, 60)
    bar = stuck(time_s)
    whole = feed(watch_of(TWO_BAR, (PressureRising,)), stream(pressure(time_s, bar)))
    watch = watch_of(TWO_BAR, (PressureRising,))
    found: list[Finding] = []
    for start, stop in itertools.pairwise(sorted({0, *cuts, len(time_s)})):
        found += watch.update(pressure(time_s[start:stop], bar[start:stop]))
    assert of(found, Condition.PRESSURE_RISING) == of(whole, Condition.PRESSURE_RISING)
