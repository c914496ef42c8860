"""Leaks: found when visible, and not where temperature, the valve or a hand explains the loss."""

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
    feed,
    hours_in,
    keep,
    noisy,
    of,
    stream,
    verdicts,
    watch_of,
)
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.samples import FloatArray, Kind

SLOW = Batch(vessel=SEALED, hours=200, total_g_per_l=2.2, tail_h=12)


def said(batch: Batch, *entries: tuple[float, str], seed: int = 1) -> list[Finding]:
    """Return what is said of leaks; entries by the hour."""
    given = stream(batch.samples(seed=seed), *((START_S + hour * HOUR_S, text) for hour, text in entries))
    return of(feed(watch_of(batch.vessel), given), Condition.LEAK)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(("per_h", "within_h"), [(0.02, 12.0), (0.03, 8.0)])
def test_a_leak_is_found_in_time(per_h: float, within_h: float, seed: int) -> None:
    """Two per cent of the pressure an hour, from a flat sealed vessel at 1.1 bar: found within twelve hours."""
    (raised,) = said(replace(SLOW, leak_per_h=per_h, leak_from_h=150), seed=seed)
    assert (raised.state, raised.priority) == (State.RAISED, Priority.HIGH)
    assert 150 < hours_in(raised) <= 150 + within_h
    assert raised.rate_g_per_l_day is not None
    assert raised.rate_g_per_l_day < 0
    assert "soapy water" in raised.text


@pytest.mark.parametrize("seed", range(4))
def test_a_tight_vessel_has_no_leak(seed: int) -> None:
    """Sealed, smooth or cycling: no leak is cried in a sound batch."""
    assert said(SLOW, seed=seed) == []
    for blow_down in (0.0, 0.15):
        batch = Batch(vessel=VALVED, hours=240, opening_bar=1.2, blow_down_bar=blow_down, tail_h=18)
        assert said(batch, seed=seed) == []


LOW = replace(VALVED, valve_pressure_bar=0.6)
AT_REST = Batch(
    vessel=LOW, hours=230, opening_bar=0.6, tail_h=12,
    celsius=lambda hours: 21.0 + 0.3 * np.sin(1.5 * hours),
)  # fmt: skip


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("per_h", [0.004, 0.006])
def test_a_slow_leak_below_where_a_smooth_valve_came_to_rest_is_found(per_h: float, seed: int) -> None:
    """2 to 4 mbar an hour from 0.6 bar, days after the end: told when 0.05 to 0.08 bar are gone, below which no such valve lets off."""
    (raised,) = said(replace(AT_REST, leak_per_h=per_h, leak_from_h=150), seed=seed)
    assert raised.value is not None
    assert 0.05 <= raised.value <= 0.08
    assert 150 + 12 <= hours_in(raised) <= 150 + 24


def test_cooler_beer_below_that_level_is_no_leak() -> None:
    """Three kelvin down for good, or for two days: the beer takes up what is missing, and gives it back."""
    cooler = replace(AT_REST, celsius=lambda hours: np.interp(hours, [150, 160], [21.0, 18.0]))
    back = replace(
        AT_REST, celsius=lambda hours: np.interp(hours, [150, 154, 198, 202], [21.0, 18.0, 18.0, 21.0])
    )
    assert said(cooler) == said(back) == []


@pytest.mark.parametrize("fades_h", [25.0, 50.0, 100.0])
def test_a_level_that_falls_with_the_flow_is_no_leak(fades_h: float) -> None:
    """Over-lift of 0.12 bar, gone with the flow however slowly (0.1 to 0.2 bar, common practice)."""
    at_h = np.arange(0.0, 300.0, 1 / 60)
    flow = np.where(at_h < 60, 1.0, np.exp(-(at_h - 60) / fades_h))
    bars = np.minimum(at_h / 20, 1) * (0.55 + 0.12 * flow)
    assert of(verdicts(LOW, noisy(at_h, bars, 20.0, seed=3)), Condition.LEAK) == []


def over_lift(
    hour: FloatArray, height_h: float, width_h: float, *, rest_bar: float, lift_bar: float
) -> FloatArray:
    """Return the pressure behind a smooth valve that reseats at `rest_bar`: a flow that grows and fades alike lifts it."""
    flow = np.exp(-(((hour - height_h) / width_h) ** 2))
    return np.asarray(np.minimum(np.maximum(hour - 10, 0.0) / 15, 1) * (rest_bar + lift_bar * flow))


@pytest.mark.parametrize("lift_bar", [0.12, 0.18])
@pytest.mark.parametrize(("height_h", "width_h"), [(36.0, 9.0), (54.0, 22.0), (210.0, 70.0)])
def test_a_flow_that_fades_from_its_height_is_no_leak(
    height_h: float, width_h: float, lift_bar: float
) -> None:
    """Over-lift of 0.12 or 0.18 bar that goes within half a day, two days or a week: 1 to 15 mbar an hour, evenly for hours."""
    at_h = np.arange(0.0, height_h + 4 * width_h, 1 / 60)
    bars = over_lift(at_h, height_h, width_h, rest_bar=0.6, lift_bar=lift_bar)
    assert of(verdicts(LOW, noisy(at_h, bars, 20.0, seed=3)), Condition.LEAK) == []


@pytest.mark.parametrize("from_h", [60.0, 90.0])
def test_a_leak_behind_such_a_valve_is_found_in_time(from_h: float) -> None:
    """Two per cent an hour from 1.2 bar, while the flow may still fade or when it has: told within twelve hours."""
    at_h = np.arange(0.0, from_h + 30, 1 / 60)
    bars = over_lift(at_h, 45.0, 12.0, rest_bar=1.2, lift_bar=0.08)
    bars = np.where(at_h < from_h, bars, bars * np.exp(-0.02 * (at_h - from_h)))
    (raised,) = of(verdicts(VALVED, noisy(at_h, bars, 20.0, seed=4)), Condition.LEAK)
    assert from_h < hours_in(raised) <= from_h + 12


def test_a_chill_is_no_leak() -> None:
    """Pressure falls by more than half as the beer takes up its gas: temperature explains it, said or unsaid."""
    chilled = replace(SLOW, celsius=lambda hours: np.clip(19.0 - 0.6 * (hours - 150), 2.0, 19.0))
    _, bars, _ = chilled.run()
    assert bars.max() - bars[-1] > 0.6
    assert said(chilled) == []
    assert said(chilled, (149, "chill 2")) == []


def test_a_leak_after_the_chill_is_told_without_what_the_chill_took() -> None:
    """Most of the fall is the beer's: what is told as lost is what a balance of its own finds missing, within 0.05 bar."""
    tight = replace(SLOW, hours=330, celsius=lambda hours: np.clip(19.0 - 0.6 * (hours - 150), 2.0, 19.0))
    leaking = replace(tight, leak_per_h=0.01, leak_from_h=180)
    (raised,) = said(leaking, (149, "chill 2"))
    _, held_bar, _ = tight.run()
    _, left_bar, _ = leaking.run()
    row = round(hours_in(raised) * 60)
    assert "more than cooling and what the cold beer takes up explain" in raised.text
    told_bar = float(raised.text.split(" bar of it more")[0].split()[-1])
    assert told_bar == pytest.approx(held_bar[row] - left_bar[row], abs=0.05)
    assert not any("no chill" in one for one in raised.evidence)


def test_without_a_thermometer_a_chill_is_no_leak() -> None:
    """Nobody knows how cold the beer is, so nobody knows how much gas it takes up."""
    chilled = replace(SLOW, celsius=lambda hours: np.clip(19.0 - 0.6 * (hours - 150), 2.0, 19.0))
    samples = chilled.samples()
    unseen = keep(samples, samples.kind == Kind.PRESSURE)
    given = stream(unseen, (START_S + 149 * HOUR_S, "chill 2"))
    assert of(feed(watch_of(SEALED), given), Condition.LEAK) == []


@pytest.mark.parametrize("every_h", [4.0, 5.0, 5.5])
def test_a_leak_that_seeps_in_bursts_is_not_called_mended(every_h: float) -> None:
    """40 mbar at a time, hours apart, after a steady loss: pressure has not stood for six hours, and is not said to have."""
    at_h = np.arange(0.0, 220.0, 1 / 60)
    bursts_bar = 0.3 + 0.04 * np.floor((at_h - 140) / every_h)
    lost_bar = np.where(at_h < 140, np.clip(0.03 * (at_h - 130), 0, 0.3), bursts_bar)
    bars = np.maximum(np.minimum(at_h / 10, 1) - lost_bar, 0.0)
    found = of(feed(watch_of(SEALED), stream(noisy(at_h, bars, 19.0, seed=2))), Condition.LEAK)
    assert [told.state for told in found] == [State.RAISED]


def test_a_fridge_that_swings_is_no_leak() -> None:
    """Two kelvins up and down a day."""
    assert said(replace(SLOW, celsius=lambda hours: 19.0 + 2.0 * np.sin(2 * np.pi * hours / 24))) == []


def test_a_vent_by_hand_is_no_leak() -> None:
    """Half a bar let out at once is a hand, with or without a word in the journal."""
    samples = SLOW.samples()
    hours = (samples.time_s - START_S) / HOUR_S
    value = samples.value - 0.5 * ((samples.kind == 1) & (hours > 150))
    vented = Stream(samples=replace(samples, value=value))
    assert of(feed(watch_of(SEALED), vented), Condition.LEAK) == []


def test_tapping_is_no_leak() -> None:
    """Once the beer is tapped its pressure is the brewer's."""
    assert said(replace(SLOW, leak_per_h=0.05, leak_from_h=150), (149, "tapped")) == []


def test_a_leak_that_was_mended_is_over() -> None:
    """Six hours without a loss clear the alarm."""
    leaking = replace(SLOW, leak_per_h=0.03, leak_from_h=150)
    samples = leaking.samples()
    hours = (samples.time_s - START_S) / HOUR_S
    stands = (samples.kind == 1) & (hours > 165)
    level = float(samples.value[(samples.kind == 1) & (hours > 164.9)][0])
    noise = 0.002 * np.random.default_rng(2).standard_normal(len(samples))
    mended = replace(samples, value=np.where(stands, level + noise, samples.value))
    raised, cleared = of(feed(watch_of(SEALED), Stream(samples=mended)), Condition.LEAK)
    assert hours_in(raised) < 165 < hours_in(cleared)
    assert cleared.state is State.CLEARED


def test_a_leak_that_goes_on_more_slowly_is_not_over() -> None:
    """What leaks away grows less as the pressure falls: as long as gas surely goes, the alarm stands."""
    leaking = replace(SLOW, hours=320, leak_per_h=0.02, leak_from_h=150)
    assert [found.state for found in said(leaking)] == [State.RAISED]


@pytest.mark.parametrize("seed", range(3))
def test_a_leak_so_fast_that_it_looks_like_drops_of_the_valve_is_found_at_once(seed: int) -> None:
    """Some forty millibars an hour behind a smooth valve: noise makes many a minute of it fall like a small drop."""
    at_h = np.arange(0.0, 140.0, 1 / 60)
    bars = np.minimum(0.1 * at_h, 1.2) * np.exp(-0.04 * np.clip(at_h - 120, 0, None))
    samples = noisy(at_h, bars, 20.0, seed=seed, noise_bar=0.003)
    (raised,) = of(verdicts(VALVED, samples), Condition.LEAK)
    assert 120 < hours_in(raised) <= 120 + 4


def test_what_a_valve_lets_off_on_its_way_back_is_no_leak() -> None:
    """A test is ended at 2 bar: pressure falls at once to a little above the setting, and then ever more slowly to where the valve
    holds it, as the beer gives off what it has taken up."""
    at_h = np.arange(0.0, 140.0, 1 / 60)
    since_h = np.clip(at_h - 100, 0, None)
    back = 1.2 + 0.3 * np.exp(-since_h / 5)
    bars = np.where(
        at_h < 96, np.minimum(0.1 * at_h, 1.2), np.where(at_h < 100, 1.2 + 0.2 * (at_h - 96), back)
    )
    words = ((START_S + 96 * HOUR_S, "valve shut"), (START_S + 100 * HOUR_S, "valve opened"))
    given = stream(noisy(at_h, bars, 20.0, seed=1), *words)
    assert of(feed(watch_of(VALVED), given), Condition.LEAK) == []


def test_a_slow_leak_is_found_by_how_much_is_lost() -> None:
    """Five millibars an hour against what yeast still makes: no rate to speak of beside the swings of a fridge, but no valve falls by a fifth of a bar."""
    at_h = np.arange(0.0, 190.0, 1 / 60)
    bars = np.minimum(0.1 * at_h, 1.2) - 0.0047 * np.clip(at_h - 120, 0, None)
    (raised,) = of(verdicts(VALVED, noisy(at_h, bars, 20 + np.sin(at_h / 4), seed=2)), Condition.LEAK)
    assert 120 < hours_in(raised) <= 120 + 48


def test_wort_that_takes_up_what_a_bottle_gave_is_no_leak() -> None:
    """Half a bar put on at pitching is gone within the day, as fast as through a leak; then the yeast fills the vessel."""
    at_h = np.arange(0.0, 60.0, 1 / 60)
    charged = 0.5 * np.clip((at_h - 1) * 4, 0, 1) * np.exp(-np.clip(at_h - 1.25, 0, None) / 5)
    bars = np.minimum(charged + 0.06 * np.clip(at_h - 24, 0, None), 1.2)
    assert of(verdicts(VALVED, noisy(at_h, bars, 20.0, seed=4)), Condition.LEAK) == []


@pytest.mark.parametrize(("bar", "exchange_h", "told"), [(1.2, 70.0, True), (2.0, 25.0, False)])
def test_beer_that_takes_up_gas_for_days_after_a_chill_is_no_leak(
    bar: float, exchange_h: float, told: bool
) -> None:
    """Chilled from 20 to 2 °C the beer asks for 0.6 to 0.8 bar, and a quiet surface lets it have them over days: long after the
    warm content is out of the sight of two days, and faster than a leak."""
    at_h = np.arange(0.0, 320.0, 1 / 60)
    celsius = np.interp(at_h, [150, 162], [20, 2])
    asked = 0.4 * (bar + 1.0) * np.clip((at_h - 150) / 12, 0, 1)
    taken = np.zeros(len(at_h))
    for row in range(1, len(at_h)):
        taken[row] = taken[row - 1] + (asked[row] - taken[row - 1]) / (60 * exchange_h)
    bars = np.minimum(bar * at_h / 12, bar) - taken
    words = ((START_S + 149 * HOUR_S, "valve shut"), (START_S + 150 * HOUR_S, "chill 2"))
    vessel = replace(VALVED, valve_pressure_bar=bar)
    given = stream(noisy(at_h, bars, celsius, seed=1), *(words if told else ()))
    assert of(feed(watch_of(vessel), given), Condition.LEAK) == []


def test_what_a_smooth_valve_let_off_while_the_beer_was_warm_is_no_leak() -> None:
    """A fridge fails for a night at 1.2 bar: four kelvins of warmth leave by the valve, and the cool that follows takes the rest."""
    batch = Batch(
        vessel=VALVED, hours=240, opening_bar=1.2, tail_h=10,
        celsius=lambda hours: np.interp(hours, [190, 198, 200, 212], [19.0, 23.0, 23.0, 19.0]),
    )  # fmt: skip
    _, bars, _ = batch.run()
    assert bars[-1] < 1.2 - 0.15
    assert said(batch) == []


@pytest.mark.parametrize("per_h", [0.004, 0.01])
def test_a_leak_beside_a_fridge_that_swings_is_told_once(per_h: float) -> None:
    """A kelvin up and down each day hides the loss for hours: it is not called mended meanwhile."""
    leaking = replace(
        SLOW, hours=300, leak_per_h=per_h, leak_from_h=150,
        celsius=lambda hours: 19 + np.sin(hours * 2 * np.pi / 24),
    )  # fmt: skip
    found = feed(watch_of(SEALED), stream(leaking.samples(noise_bar=0.003)))
    assert [told.state for told in of(found, Condition.LEAK)] == [State.RAISED]


def slid(to_bar: float, hours: float) -> list[Finding]:
    """Return what is said of a smooth valve that first holds 1.0 bar, 1.16 at the height, and slides `to_bar` within `hours`."""
    at_h = np.arange(0.0, 90.0 + hours, 1 / 30)
    bars = np.interp(at_h, [0, 5, 15, 24, 40, 60, 60 + hours], [0, 0, 1.0, 1.0, 1.16, 1.16, to_bar])
    return of(verdicts(VALVED, noisy(at_h, bars, 19.0, seed=2)), Condition.LEAK)


def test_a_level_that_slides_to_where_it_first_held_is_the_flow() -> None:
    """Small valves hold 0.1 to 0.2 bar more at the height of the flow (common practice); further down it is a leak."""
    assert slid(1.0, 10) == []
    assert slid(0.75, 10)


def unseen(batch: Batch) -> list[Finding]:
    """Return what is said of leaks where the vessel has no thermometer."""
    samples = batch.samples()
    return of(
        feed(watch_of(batch.vessel), stream(keep(samples, samples.kind == Kind.PRESSURE))), Condition.LEAK
    )


def test_without_a_thermometer_a_fridges_swing_is_no_leak() -> None:
    """A kelvin and a half to and fro in six hours, which nobody measures, takes 0.1 bar off the vessel and gives it back."""
    swinging = replace(SLOW, celsius=lambda hours: 19.0 + 0.75 * np.sin(2 * np.pi * hours / 12))
    assert unseen(swinging) == []
    (raised,) = unseen(replace(SLOW, leak_per_h=0.03, leak_from_h=150))
    assert 150 < hours_in(raised) <= 162
    assert "no thermometer says whether the beer has cooled" in raised.text
    assert "no chill" not in " ".join(raised.evidence)


def test_a_leak_that_the_last_gas_nearly_makes_up_for_is_found_in_time() -> None:
    """6 mbar an hour behind a smooth valve whose flow had its time to fade: told within twelve hours of being visible (20 mbar)."""
    at_h = np.arange(0.0, 130.0, 1 / 60)
    bars = over_lift(at_h, 45.0, 12.0, rest_bar=1.0, lift_bar=0.03) - 0.006 * np.maximum(at_h - 100, 0.0)
    (raised,) = of(
        verdicts(replace(VALVED, valve_pressure_bar=1.0), noisy(at_h, bars, 14.0, seed=5)), Condition.LEAK
    )
    assert 100 < hours_in(raised) <= 100 + 3 + 12
