"""The valve as it shows itself: where it opens and holds, whether it cycles, and when the vessel counts as shut.

Change-point libraries are no yardstick here: the drops of a valve are found minute by minute by their size against the
noise, which is tested against the simulated valve's own openings.
"""

from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import (
    HOUR_S,
    SEALED,
    START_S,
    VALVED,
    Batch,
    Stream,
    every,
    feed,
    merged,
    noisy,
    of,
    pressure,
    stream,
    temperature,
    watch_of,
)
from ullage.detectors.activity import Activity
from ullage.detectors.finding import Condition
from ullage.detectors.proof import Proof
from ullage.detectors.record import BAR, Record
from ullage.detectors.samples import Entry, Kind, Samples


def after(
    batch: Batch, *entries: tuple[float, str], seed: int = 1, noise_bar: float = 0.002, step_bar: float = 0.0
) -> Record:
    """Return what is known at the end of a batch; entries by the hour."""
    samples = batch.samples(seed=seed, noise_bar=noise_bar, step_bar=step_bar)
    watch = watch_of(batch.vessel, (Activity,))
    feed(watch, stream(samples, *((START_S + hour * HOUR_S, text) for hour, text in entries)))
    assert not watch.failures
    return watch.record


@pytest.mark.parametrize(("noise_bar", "step_bar"), [(0.002, 0.0), (0.004, 0.0), (0.003, 0.0085)])
@pytest.mark.parametrize(("blow_down_bar", "hours"), [(0.1, 110.0), (0.15, 110.0), (0.25, 60.0)])
def test_a_cycling_valve_is_learned(
    blow_down_bar: float, hours: float, noise_bar: float, step_bar: float
) -> None:
    """Opening pressure within 20 mbar and blow-down within a fifth, in a batch whose teeth are seen."""
    batch = Batch(vessel=VALVED, hours=hours, opening_bar=1.2, blow_down_bar=blow_down_bar, tail_h=18)
    valve = after(batch, noise_bar=noise_bar, step_bar=step_bar).valve
    assert valve.cycles
    assert valve.opening_bar == pytest.approx(1.2, abs=0.02)
    sizes = [drop.size_bar for drop in valve.usual_drops]
    assert np.median(sizes) == pytest.approx(blow_down_bar, rel=0.2)


def test_a_smooth_valve_does_not_cycle() -> None:
    """A valve that only passes gas shows its level and no teeth."""
    valve = after(Batch(vessel=VALVED, hours=60, opening_bar=1.25)).valve
    assert not valve.cycles
    assert valve.held.bar == pytest.approx(1.25, abs=0.01)
    assert not valve.shut


def test_a_sealed_vessel_is_always_shut() -> None:
    """Without a valve nothing can leave."""
    record = after(Batch(vessel=SEALED, hours=60, total_g_per_l=4.0))
    assert record.valve.proof is Proof.SEALED
    assert record.valve.opening_bar is None


def test_below_its_setting_it_has_not_opened_yet() -> None:
    """On the first way up the vessel counts as shut; at the level it no longer does."""
    batch = Batch(vessel=VALVED, hours=60, opening_bar=1.2)
    hours, bars, _ = batch.run()
    rising_h = float(hours[np.argmax(bars > 0.6)])
    assert after(replace(batch, hours=rising_h)).valve.proof is Proof.BELOW
    assert after(batch).valve.proof is None


@pytest.mark.parametrize("hours", [80.0, 95.0])
def test_rising_teeth_are_shut_segments(hours: float) -> None:
    """Between the blow-downs of a cycling valve production is measured: the truth lies within its interval."""
    batch = Batch(vessel=VALVED, hours=hours, opening_bar=1.2, blow_down_bar=0.15, tail_h=18)
    at, bars, _ = batch.run()
    last = int(np.flatnonzero(np.diff(bars) < -0.1)[-1])
    climbing = last + int(np.argmax(bars[last + 1 :] > 1.13))
    record = after(replace(batch, hours=float(at[climbing])))
    assert record.valve.proof is Proof.CYCLE
    production = record.production_over(record.valve.shut_s, 48.0)
    assert production is not None
    start_h, end_h = ((s - START_S) / HOUR_S for s in (production.start_s, production.end_s))
    made = batch.made_g_per_l(np.array([start_h, end_h]))
    true = float(made[1] - made[0]) / (end_h - start_h) * 24
    assert production.rate_g_per_l_day == pytest.approx(true, rel=0.15)
    assert production.low <= true <= production.high


def test_the_journal_is_believed_where_data_cannot_tell() -> None:
    """Wound shut after the end: flat before and after; only the word makes it a shut vessel, until it is opened."""
    batch = Batch(vessel=VALVED, hours=220, opening_bar=1.2, tail_h=14, shut=((180, 220),))
    assert after(batch).valve.proof is None
    told = after(batch, (180, "valve shut")).valve
    assert told.proof is Proof.WORD
    assert told.shut_s == START_S + 180 * HOUR_S
    assert after(batch, (180, "valve shut"), (200, "valve opened")).valve.proof is None


def test_a_test_without_a_word_is_recognised_by_its_rise() -> None:
    """Wound shut in full swing and nobody says so: the climb above the held level is proof."""
    batch = Batch(vessel=VALVED, hours=51, opening_bar=1.2, shut=((48, 52),), tail_h=25)
    valve = after(batch).valve
    assert valve.proof is Proof.ABOVE
    assert START_S + 47.4 * HOUR_S <= valve.shut_s <= START_S + 50 * HOUR_S


def test_a_vent_ends_a_shut_stretch() -> None:
    """After `vented` the balance starts anew."""
    record = after(Batch(vessel=SEALED, hours=60, total_g_per_l=4.0), (40, "vented"))
    assert record.valve.shut_s == START_S + 40 * HOUR_S


def test_a_new_setting_forgets_the_old_level() -> None:
    """`valve set 1.4`: the level of before is no longer what it holds."""
    low = Batch(vessel=VALVED, hours=60, opening_bar=1.1).samples()
    watch = watch_of(VALVED, (Activity,))
    watch.update(low)
    assert watch.record.valve.held.bar == pytest.approx(1.1, abs=0.01)
    watch.enter(Entry(time_s=float(low.time_s[-1]), text="valve set 1.4"))
    assert watch.record.valve.held.bar is None
    assert watch.record.valve.set_bar == 1.4


def test_an_unheard_gap_proves_nothing() -> None:
    """Nobody knows what was done at the valve in five hours of silence: a stretch begins after it at the earliest."""
    batch = Batch(vessel=VALVED, hours=14, opening_bar=1.2, lag_h=0.0, tail_h=40)
    samples = batch.samples()
    hours = (samples.time_s - START_S) / HOUR_S
    heard = (hours < 5) | (hours > 10)
    watch = watch_of(VALVED, (Activity,))
    feed(
        watch,
        Stream(
            samples=replace(
                samples, time_s=samples.time_s[heard], kind=samples.kind[heard], value=samples.value[heard]
            )
        ),
    )
    assert (samples.kind == Kind.PRESSURE).any()
    assert watch.record.valve.shut_s >= START_S + 9.9 * HOUR_S


def test_cold_air_on_the_head_space_opens_no_valve_that_is_said_to_be_shut() -> None:
    """Falls of 25 mbar within a minute (3 K on 3.5 bar absolute): the shut stretch goes on, and production is not theirs."""
    batch = Batch(vessel=VALVED, hours=170, opening_bar=1.2, tail_h=14, shut=((120, 170),))
    samples = batch.samples()
    hours = (samples.time_s - START_S) / HOUR_S
    draughts = (samples.kind == Kind.PRESSURE) & (hours > 121) & (hours % 3 < 0.5)
    draughty = replace(samples, value=np.where(draughts, samples.value - 0.025, samples.value))
    watch = watch_of(VALVED, (Activity,))
    feed(watch, stream(draughty, (START_S + 120 * HOUR_S, "valve shut")))
    record = watch.record
    assert record.valve.proof is Proof.WORD
    assert record.valve.shut_s == START_S + 120 * HOUR_S
    production = record.production_over(record.valve.shut_s, 24.0)
    assert production is not None
    made = batch.made_g_per_l(np.array([146.0, 170.0]))
    assert production.low <= float(made[1] - made[0]) <= production.high


def test_a_tooth_that_outlasts_those_before_it_is_one() -> None:
    """Teeth an hour apart of which only trough and peak are seen, then one that climbs no more: gas can't leave."""
    at = every(20, 20)
    minute = (at - START_S) / 60
    tooth = np.where(minute % 54 < 52, 1.1, 1.2)
    last = np.where(minute < 14 * 54 + 10, 1.1, 1.13)
    bars = np.where(minute < 14 * 54, tooth, last) + 0.0005 * np.random.default_rng(6).standard_normal(
        len(at)
    )
    watch = watch_of(VALVED, (Activity,))
    watch.update(merged(pressure(at, bars), temperature(at + 5, np.full(len(at), 19.0))))
    assert watch.record.valve.cycles
    assert not watch.record.valve.cycle.tooth_resolved  # else another rule might have shown it
    assert watch.record.valve.proof is Proof.CYCLE


@pytest.mark.parametrize(("last_bar", "rests"), [(1.199, True), (1.15, False), (1.26, False)])
def test_a_tooth_that_has_come_up_to_the_opening_rests_there(last_bar: float, rests: bool) -> None:
    """Slow teeth from 1.1 to 1.2 bar, then one that stays at its top, half way, or above where the valve opens."""
    at = every(20, 40)
    hour = (at - START_S) / HOUR_S
    bars = np.where(hour < 30, 1.1 + 0.1 * (hour % 3) / 3, last_bar - (last_bar - 1.1) * np.exp(30 - hour))
    bars += 0.0005 * np.random.default_rng(7).standard_normal(len(at))
    watch = watch_of(VALVED, (Activity,))
    watch.update(merged(pressure(at, bars), temperature(at + 5, np.full(len(at), 19.0))))
    valve = watch.record.valve
    assert valve.cycles
    assert valve.rests_at_opening(watch.record.last(BAR)) is rests


def proofs_of(samples: Samples) -> tuple[int, set[Proof | None]]:
    """Return how many drops were found, and every proof that the vessel was taken to be shut by on the way."""
    watch, proofs = watch_of(VALVED, (Activity,)), set()
    for row in range(0, len(samples), 40):
        watch.update(samples.cut(row, min(row + 40, len(samples))))
        proofs.add(watch.record.valve.proof)
    return watch.record.valve.teeth.count, proofs


def test_the_tooth_after_the_very_first_drop_is_no_test() -> None:
    """A level that was learned while pressure still climbed lies below where the valve opens: the second tooth passes it."""
    batch = Batch(vessel=VALVED, hours=90, opening_bar=1.2, blow_down_bar=0.1, tail_h=70, total_g_per_l=30)
    drops, proofs = proofs_of(batch.samples())
    assert drops > 1
    assert Proof.ABOVE not in proofs


def test_what_falls_in_an_empty_head_space_is_no_opening() -> None:
    """A lid that is lifted now and then, and then the vessel fills: that is no climb above where the valve opens."""
    at = every(60, 60)
    hour = (at - START_S) / HOUR_S
    bars = np.where(hour < 30, 0.1 * (hour % 3) / 3, 0.04 * (hour - 30))
    bars += 0.001 * np.random.default_rng(9).standard_normal(len(at))
    drops, proofs = proofs_of(merged(pressure(at, bars), temperature(at + 5, np.full(len(at), 19.0))))
    assert drops > 2
    assert Proof.ABOVE not in proofs


def test_a_tooth_proves_nothing_of_the_hours_at_which_it_stood_at_its_opening() -> None:
    """Slow teeth from 1.1 to 1.2 bar, then twenty hours at the top, where gas may go unseen, and 15 mbar below it since."""
    at = every(20, 56)
    hour = (at - START_S) / HOUR_S
    last = 1.2 - 0.1 * np.exp(30 - hour) - np.interp(hour, [50, 53], [0.0, 0.015])
    bars = np.where(hour < 30, 1.1 + 0.1 * (hour % 3) / 3, last)
    bars += 0.0005 * np.random.default_rng(7).standard_normal(len(at))
    watch = watch_of(VALVED, (Activity,))
    watch.update(merged(pressure(at, bars), temperature(at + 5, np.full(len(at), 19.0))))
    valve = watch.record.valve
    assert valve.proof is Proof.CYCLE
    assert valve.shut_s >= START_S + 50 * HOUR_S


def toothed(gaps_min: list[float]) -> Record:
    """Return what is known after teeth of these lengths from 1.1 to 1.2 bar, and half of one more."""
    ends = np.cumsum([0.0, *gaps_min]) * 60
    at = np.arange(0.0, ends[-1] + gaps_min[-1] * 30, 20.0)
    begun = np.searchsorted(ends, at, side="right") - 1
    lengths = np.array([*gaps_min, gaps_min[-1]]) * 60
    bars = 1.1 + 0.1 * (at - ends[begun]) / lengths[begun]
    bars += 0.0005 * np.random.default_rng(8).standard_normal(len(at))
    watch = watch_of(VALVED, (Activity,))
    watch.update(merged(pressure(START_S + at, bars), temperature(START_S + at + 5, np.full(len(at), 19.0))))
    return watch.record


def test_quick_teeth_after_slow_ones_are_a_beat() -> None:
    """Teeth that grow longer prove that gas can't leave; four hours, twelve minutes, four hours do not: most go unseen."""
    slow = [60.0, 70, 80, 90, 100, 110, 120, 130, 140, 150]
    assert toothed(slow).valve.proof is Proof.CYCLE
    assert toothed([*slow[:7], 12.0, 240.0]).valve.proof is not Proof.CYCLE


def test_a_level_where_the_valve_reseats_is_no_tooth() -> None:
    """Slow teeth from 1.1 to 1.2 bar, then one that stays at its foot: a valve that passes gas steadily looks like that."""
    at = every(20, 50)
    hour = (at - START_S) / HOUR_S
    bars = np.where(hour < 30, 1.1 + 0.1 * (hour % 3) / 3, 1.105)
    bars += 0.0005 * np.random.default_rng(7).standard_normal(len(at))
    watch = watch_of(VALVED, (Activity,))
    watch.update(merged(pressure(at, bars), temperature(at + 5, np.full(len(at), 19.0))))
    assert watch.record.valve.cycles
    assert watch.record.valve.proof is None


@pytest.mark.parametrize(("falls_min", "cycles"), [(1, True), (20, False)])
def test_an_opening_that_follows_the_air_is_no_cycle(falls_min: float, cycles: bool) -> None:
    """A level that swings by 30 mbar every two hours: at once, as a valve pops, or over twenty minutes, as the air cools."""
    at = every(20, 50)
    minute = (at - START_S) / 60
    part = minute % 120
    swing = np.where(part < 120 - falls_min, part / (120 - falls_min), (120 - part) / falls_min)
    bars = np.minimum(0.1 * minute / 60, 1.17 + 0.03 * swing)
    bars += 0.0005 * np.random.default_rng(3).standard_normal(len(at))
    watch = watch_of(VALVED, (Activity,))
    watch.update(merged(pressure(at, bars), temperature(at + 5, np.full(len(at), 19.0))))
    assert (watch.record.valve.proof is Proof.CYCLE) is cycles


def test_a_valve_that_is_set_higher_does_not_stick() -> None:
    """`valve set 1.4`: on its way there the pressure has not left a level that the valve holds."""
    low = Batch(vessel=VALVED, hours=40, opening_bar=1.1, tail_h=30).samples()
    watch = watch_of(VALVED)
    watch.update(low)
    set_s = float(low.time_s[-1])
    found = watch.enter(Entry(time_s=set_s, text="valve set 1.4"))
    at_h = np.arange(0.0, 8.0, 1 / 60)
    found += watch.update(noisy(at_h, 1.1 + np.minimum(0.1 * at_h, 0.3), 19.0, seed=2, start_s=set_s + 60))
    assert of(found, Condition.STILL_FERMENTING) == []
