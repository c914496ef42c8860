"""Frozen sensors: the dead ones found in time, the quiet ones never accused."""

import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from tests.detectors.streams import (
    HOUR_S,
    SEALED,
    START_S,
    Batch,
    every,
    frozen,
    hours_in,
    of,
    pressure,
    temperature,
    watch_of,
)
from ullage.detectors.finding import Condition, Finding, State
from ullage.detectors.frozen import Frozen
from ullage.detectors.registry import compose
from ullage.detectors.samples import FloatArray, Kind, Samples
from ullage.detectors.watch import VesselWatch

SEEDS = st.integers(0, 2**32 - 1)


def said(samples: Samples) -> tuple[Finding, ...]:
    """Return what the detector finds."""
    return watch_of(SEALED, (Frozen,)).update(samples)


def noisy(seed: int, rows: int, noise_bar: float, step_bar: float, level_bar: float = 1.2) -> FloatArray:
    """Return a constant pressure as a converter of a given noise and step shows it."""
    value = level_bar + noise_bar * np.random.default_rng(seed).standard_normal(rows)
    return np.round(value / step_bar) * step_bar if step_bar else value


@settings(max_examples=60, deadline=None)
@given(
    seed=SEEDS,
    noise_bar=st.sampled_from([0.0003, 0.001, 0.003, 0.01, 0.03]),
    step_bar=st.sampled_from([0.0, 0.0005, 0.002, 0.0085, 0.02]),
    level_bar=st.floats(0.5, 1.5),
)
def test_independent_noise_is_never_accused(
    seed: int, noise_bar: float, step_bar: float, level_bar: float
) -> None:
    """Four thousand readings of a constant: at a chance of one in ten million nothing is claimed."""
    value = noisy(seed, 4000, noise_bar, step_bar, level_bar)
    assert said(pressure(START_S + 30.0 * np.arange(4000), value)) == ()


@pytest.mark.parametrize(("interval_s", "step_bar"), [(10, 0.0), (60, 0.0), (60, 0.0021), (120, 0.0)])
def test_a_dead_sensor_is_found_within_three_hours(interval_s: float, step_bar: float) -> None:
    """A transmitter that showed its noise for twelve hours repeats itself: told within three, cleared when it moves."""
    time_s = every(interval_s, 24)
    samples = frozen(pressure(time_s, noisy(1, len(time_s), 0.002, step_bar)), Kind.PRESSURE, 12, 20)
    raised, cleared = said(samples)
    assert (raised.condition, raised.state, raised.subject) == (
        Condition.SENSOR_FROZEN, State.RAISED, "pressure",
    )  # fmt: skip
    assert 12 < hours_in(raised) <= 15
    assert cleared.state is State.CLEARED
    assert hours_in(cleared) == pytest.approx(20, abs=0.1)
    assert raised.evidence


@pytest.mark.parametrize("chance", [1e-7, 1e-4])
@pytest.mark.parametrize(("noise_bar", "step_bar"), [(0.004, 0.0021), (0.003, 0.0042)])
def test_the_odds_that_are_told_hold(chance: float, noise_bar: float, step_bar: float) -> None:
    """What normal noise puts into the converter's step, as often as told, is no likelier than told, and as unlikely as asked."""
    watch = VesselWatch(SEALED, compose({"frozen": {"chance": chance}}))
    time_s = every(60, 40)
    samples = frozen(pressure(time_s, noisy(1, len(time_s), noise_bar, step_bar)), Kind.PRESSURE, 20, 40)
    (raised,) = of(watch.update(samples), Condition.SENSOR_FROZEN)
    told = re.search(r"(\d+) equal readings in a row come at most once in ([\d,]+)", raised.evidence[0])
    assert told is not None
    count, once_in = int(told[1]), float(told[2].replace(",", ""))
    in_one_step = math.erf(
        step_bar / 2 / noise_bar / math.sqrt(2)
    )  # at the most: where the level is the step's middle
    assert once_in == pytest.approx(1 / chance)
    assert in_one_step**count <= 1 / once_in


def test_a_sensor_that_dies_while_a_valve_pops_every_few_minutes() -> None:
    """Readings 15 mbar apart from one to the next: the converter's step is not the least of these changes."""
    rng = np.random.default_rng(3)
    rows = 2000
    tooth = 1.2 + 0.015 * (np.arange(rows) % 16)
    value = np.round((tooth + 0.0008 * rng.standard_normal(rows)) / 0.0001) * 0.0001
    value[1000:] = value[999]
    raised = said(pressure(START_S + 30.0 * np.arange(rows), value))
    assert [f.condition for f in raised] == [Condition.SENSOR_FROZEN]
    assert hours_in(raised[0]) - 1000 * 30 / HOUR_S <= 2.1


def test_a_ten_bit_converter_with_noise_of_its_step() -> None:
    """Steps of 8.5 mbar, noise of 6 mbar: alive for days without a word, and found within two hours when it dies."""
    time_s = every(30, 72)
    alive = pressure(time_s, noisy(2, len(time_s), 0.006, 0.0085))
    assert said(alive) == ()
    (raised,) = said(frozen(alive, Kind.PRESSURE, 60, 72))
    assert 60 < hours_in(raised) <= 62.2


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS, noise_bar=st.floats(0.0001, 0.003))
def test_a_coarse_converter_between_two_steps_shows_no_noise(seed: int, noise_bar: float) -> None:
    """A pressure that stands between two steps for hours, then in the middle of one, is a quiet sensor and no dead one.

    Between steps the least noise makes the value jump by a whole step; what it jumps by is not the noise. (A rest eight times
    as long as any before may be told of all the same: here no fridge swings.)
    """
    rng = np.random.default_rng(seed)
    time_s = every(30, 48)
    levels = np.repeat(rng.uniform(1.19, 1.21, 8), 2)  # stands for hours, then moves by a step or two
    level = np.interp(np.linspace(0, 15, len(time_s)), np.arange(16), levels)
    value = np.round((level + noise_bar * rng.standard_normal(len(time_s))) / 0.0085) * 0.0085
    assert not [found for found in said(pressure(time_s, value)) if "its own noise" in found.text]


def test_a_coarse_quiet_converter_is_never_accused() -> None:
    """Noise of a hundredth of the step: a day without a change proves nothing, and nothing is claimed."""
    time_s = every(60, 96)
    value = noisy(3, len(time_s), 0.0001, 0.0085)
    value[: len(value) // 2] += 0.0085 * np.round(np.sin(np.arange(len(value) // 2) / 400))
    assert said(pressure(time_s, value)) == ()


def test_a_rise_is_not_taken_for_noise() -> None:
    """Minutes of a steady rise teach no noise: a quiet sensor that stops with the rise is not accused."""
    time_s = every(60, 48)
    value = np.round(np.minimum((time_s - START_S) / HOUR_S * 0.05, 1.2) / 0.0085) * 0.0085
    assert said(pressure(time_s, value)) == ()


def test_a_thermometer_in_beer_may_stand_still() -> None:
    """Steps of a sixteenth of a kelvin in beer that hardly moves: no claim; a dead noisy one is found."""
    time_s = every(60, 96)
    quiet = np.round((18 + 0.1 * np.sin(np.arange(len(time_s)) / 500)) / 0.0625) * 0.0625
    assert said(temperature(time_s, quiet)) == ()
    alive = 18 + 0.05 * np.random.default_rng(4).standard_normal(len(time_s))
    (raised,) = said(frozen(temperature(time_s, alive), Kind.TEMPERATURE, 50, 96))
    assert raised.subject == "temperature"
    assert 53.5 < hours_in(raised) < 54.5


def test_spikes_do_not_blind_it() -> None:
    """One reading in two hundred is wild: the noise is still learned, the death still found."""
    rng = np.random.default_rng(5)
    time_s = every(60, 30)
    value = noisy(5, len(time_s), 0.002, 0.0)
    value[rng.random(len(value)) < 0.005] += 0.5
    (raised,) = said(frozen(pressure(time_s, value), Kind.PRESSURE, 24, 30))
    assert hours_in(raised) <= 27


def test_a_frozen_pressure_is_no_evidence_of_the_end() -> None:
    """A sealed charge whose sensor dies while gas is made is not called over as long as it is dead."""
    batch = Batch(vessel=SEALED, hours=160, total_g_per_l=5.0, tail_h=25.0)
    watch = watch_of(SEALED)
    found = watch.update(frozen(batch.samples(), Kind.PRESSURE, 40, 100))
    names = {f.condition: hours_in(f) for f in found if f.state is not State.CLEARED}
    assert 40 < names[Condition.SENSOR_FROZEN] <= 43
    assert not 40 < names[Condition.FINISHED] < 100


def fridge_swing(hours: float, freeze_at_h: float | None = None) -> Samples:
    """A thermometer of 1/16 K and next to no noise in beer that swings by 0.4 K every two hours, a reading a minute."""
    at_h = np.arange(0.0, hours, 1 / 60)
    celsius = 19 + 0.4 * np.sin(np.pi * at_h) + 0.005 * np.random.default_rng(5).standard_normal(len(at_h))
    shown = np.round(celsius * 16) / 16
    samples = temperature(START_S + at_h * HOUR_S, shown)
    return samples if freeze_at_h is None else frozen(samples, Kind.TEMPERATURE, freeze_at_h, hours)


def test_a_quiet_thermometer_that_rests_as_it_never_has_is_told_of() -> None:
    """Its noise is far below its step, so chance says nothing; the fridge's swing does, after six hours."""
    assert said(fridge_swing(72)) == ()
    (raised,) = said(fridge_swing(72, freeze_at_h=50))
    assert (raised.condition, raised.subject) == (Condition.SENSOR_FROZEN, "temperature")
    assert 50 + 5.5 <= hours_in(raised) <= 50 + 6.5
    assert "it has never rested for more than" in raised.text
    assert said(fridge_swing(40, freeze_at_h=12)) == ()  # known for too short a time


def held_pressure(
    hours: float,
    *,
    held_from_h: float,
    freeze_at_h: float | None = None,
    interval_s: float = 60,
) -> Samples:
    """A quiet converter of 8.5 mbar: the vessel fills, then the fridge's swing moves what the valve holds."""
    at_h = np.arange(0.0, hours, interval_s / HOUR_S)
    bar = 1.2 * np.minimum(at_h / held_from_h, 1)
    bar += 0.012 * np.sin(2 * np.pi * at_h) * (at_h > held_from_h)
    noise = 0.0005 * np.random.default_rng(5).standard_normal(len(at_h))
    samples = pressure(START_S + at_h * HOUR_S, np.round((bar + noise) / 0.0085) * 0.0085)
    return samples if freeze_at_h is None else frozen(samples, Kind.PRESSURE, freeze_at_h, hours)


def test_a_quiet_pressure_that_rests_as_it_never_has_is_told_of() -> None:
    """Chance says nothing of a converter so coarse; the swing of the fridge does, in some three hours."""
    assert said(held_pressure(72, held_from_h=20)) == ()
    (raised,) = said(held_pressure(72, held_from_h=20, freeze_at_h=50))
    assert (raised.condition, raised.subject) == (Condition.SENSOR_FROZEN, "pressure")
    assert 52.5 <= hours_in(raised) <= 54.5
    assert "it has never rested for more than" in raised.text


@pytest.mark.parametrize(("interval_s", "by_h"), [(10, 3.0), (60, 3.0), (120, 3.0), (240, 3.5), (300, 3.5)])
def test_a_quiet_pressure_is_told_of_within_three_hours(interval_s: float, by_h: float) -> None:
    """It has rested for some twenty minutes at each turn of the swing: eight times that is enough, at a slow pace too."""
    assert said(held_pressure(72, held_from_h=20, interval_s=interval_s)) == ()
    (raised,) = said(held_pressure(72, held_from_h=20, interval_s=interval_s, freeze_at_h=50))
    assert 50 + 2.5 <= hours_in(raised) <= 50 + by_h


@pytest.mark.parametrize("cut", [1, 7, 200])
def test_short_rests_count_however_the_stream_is_cut(cut: int) -> None:
    """A reading in four minutes: rests of a few readings are as long in blocks of any size."""
    samples = held_pressure(72, held_from_h=20, interval_s=240, freeze_at_h=50)
    watch = watch_of(SEALED, (Frozen,))
    found: list[Finding] = []
    for start in range(0, len(samples), cut):
        found += watch.update(samples.cut(start, min(start + cut, len(samples))))
    assert tuple(found) == said(samples)


def test_a_quiet_pressure_that_has_just_come_up_may_rest() -> None:
    """It has moved all day, since the vessel was filling: now it stands in the middle of a step, where it never stood before."""
    assert said(held_pressure(60, held_from_h=28, freeze_at_h=30)) == ()
    (raised,) = said(held_pressure(80, held_from_h=28, freeze_at_h=30))  # but not for ever
    assert 65 <= hours_in(raised) <= 67


@pytest.mark.parametrize("cut", [1, 7, 1999])
@pytest.mark.parametrize(
    "samples", [fridge_swing(72, freeze_at_h=50), held_pressure(72, held_from_h=20, freeze_at_h=50)]
)
def test_how_long_it_has_rested_does_not_depend_on_cuts(cut: int, samples: Samples) -> None:
    """The longest rest so far is the same in blocks of any size."""
    watch = watch_of(SEALED, (Frozen,))
    found: list[Finding] = []
    for start in range(0, len(samples), cut):
        found += watch.update(samples.cut(start, min(start + cut, len(samples))))
    assert tuple(found) == said(samples)


def rests(rest_h: float, *, before_h: float) -> Samples:
    """A converter of 6 mbar whose noise comes from the gas that passes the valve: none before pitching, none once that ceases."""
    rng = np.random.default_rng(9)
    still = np.full(round(before_h * 60), 4)
    at_work = np.round((0.96 + 0.004 * rng.standard_normal(20 * 60)) / 0.006)
    steps = np.concatenate(([3], still, at_work, np.full(round(rest_h * 60), 158), [159]))
    return pressure(START_S + 60.0 * np.arange(len(steps)), 0.006 * steps)


def test_a_converter_that_has_rested_before_may_rest_again() -> None:
    """Its noise was never its own: three times as long as it rested before pitching, then it is told; without that, after two hours."""
    assert said(rests(9, before_h=4)) == ()
    raised, _ = said(rests(14, before_h=4))
    assert raised.value == pytest.approx(3 * 4 * 60, abs=5)
    raised, _ = said(rests(9, before_h=0.2))
    assert raised.value == pytest.approx(120, abs=2)


def steps_of(*spells: tuple[float, int | None]) -> Samples:
    """Hours at a value in steps of 6 mbar, or at work with noise, a reading a minute."""
    rng = np.random.default_rng(9)
    parts = [
        np.round((0.96 + 0.004 * rng.standard_normal(round(hours * 60))) / 0.006)
        if value is None
        else np.full(round(hours * 60), value)
        for hours, value in spells
    ]
    steps = np.concatenate(parts)
    return pressure(START_S + 60.0 * np.arange(len(steps)), 0.006 * steps)


def test_a_rest_at_the_end_of_the_scale_is_no_measure() -> None:
    """Open before pitching, a gauge sensor stands at its lowest value: that must not make a later freeze wait for half a day."""
    raised = said(steps_of((4, 4), (20, None), (9, 158)))[0]
    assert raised.value == pytest.approx(120, abs=2)


def test_a_sensor_that_moved_again_at_once_only_rested() -> None:
    """Told once in error; the same rest is not told again."""
    spells = ((20, None), (2.5, 160), (20, None), (2.5, 160), (20, None))
    assert [finding.state for finding in said(steps_of(*spells))] == [State.RAISED, State.CLEARED]


def smoothed(value: FloatArray, *, interval_s: float, tau_s: float) -> FloatArray:
    """Return what a sensor shows that smooths its readings (first order) before it rounds them to a thousandth."""
    keep = np.exp(-interval_s / tau_s)
    shown: FloatArray = np.round(lfilter([1 - keep], [1, -keep], value - value[0]) + value[0], 3)
    return shown


@pytest.mark.parametrize("seed", range(4))
def test_a_thermometer_that_smooths_its_sixteenths_may_repeat_itself_for_an_hour(seed: int) -> None:
    """Its input rests on a sixteenth for an hour at the turn of the fridge's swing; filtered, that looks like no noise at all."""
    rng = np.random.default_rng(seed)
    at_h = np.arange(0, 96, 1 / 60)
    celsius = 18 + 0.3 * np.sin(2 * np.pi * at_h / 12) + 0.01 * rng.standard_normal(len(at_h))
    shown = smoothed(np.round(celsius * 16) / 16, interval_s=60, tau_s=300)
    assert said(temperature(START_S + at_h * HOUR_S, shown)) == ()
    (raised,) = said(frozen(temperature(START_S + at_h * HOUR_S, shown), Kind.TEMPERATURE, 50, 96))
    assert 51.5 <= hours_in(raised) <= 58


def test_steps_wider_than_the_fridges_swing_prove_nothing() -> None:
    """A gauge shown in steps of 0.05 bar: between two steps it flickers, in the middle of one it rests for days."""
    rng = np.random.default_rng(2)
    at_h = np.arange(0, 96, 1 / 30)
    bar = np.interp(at_h, [0, 20, 44, 60, 96], [0, 1.224, 1.226, 1.25, 1.25]) + 0.003 * rng.standard_normal(
        len(at_h)
    )
    assert said(pressure(START_S + at_h * HOUR_S, np.round(bar / 0.05) * 0.05)) == ()


def test_what_chance_forbids_is_not_believed_long_before_it_is_told() -> None:
    """Half an hour after it died the pressure is no evidence of an end; the brewer is told after two."""
    time_s = every(30, 30)
    samples = frozen(pressure(time_s, noisy(2, len(time_s), 0.006, 0.0085)), Kind.PRESSURE, 24, 30)
    watch = watch_of(SEALED, (Frozen,))
    seen: dict[int, tuple[bool, bool]] = {}
    told = False
    for minute in range(0, 30 * 60, 10):
        upto = START_S + 60.0 * (minute + 10)
        start, stop = np.searchsorted(samples.time_s, [upto - 600, upto])
        told |= bool(watch.update(samples.cut(int(start), int(stop))) or watch.tick(upto))
        seen[minute + 10 - 24 * 60] = (watch.record.frozen, told)
    assert seen[20] == (False, False)
    assert seen[50] == seen[110] == (True, False)
    assert seen[130] == (True, True)


def test_what_has_rested_for_hours_may_rest_for_days() -> None:
    """Held by a smooth valve in the middle of a coarse step: six hours at one value, again and again, then two days and a half."""
    time_s = every(60, 140)
    hours = np.arange(len(time_s)) / 60
    steps = np.where(hours < 80, np.floor(hours / 6) % 2, 0)
    value = 1.2 + 0.0085 * steps
    assert said(pressure(time_s, np.where(hours < 139, value, value + 0.0085))) == ()
