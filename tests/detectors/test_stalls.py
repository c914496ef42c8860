"""What stops early, or in the cold: a stall, unless a sample has shown the end."""

from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import (
    HOUR_S,
    SEALED,
    START_S,
    VALVED,
    Batch,
    feed,
    hours_in,
    noisy,
    of,
    stream,
    verdicts,
    watch_of,
)
from ullage.detectors.finding import Condition, Finding, State
from ullage.detectors.vessel import Probe

BROKEN_OFF_H = 45.0
FAST_TAIL_H = 10.0
LAGER = replace(VALVED, yeast_temperature_c=(6.0, 12.0))


def broken_off(*samples: tuple[float, float]) -> list[Finding]:
    """Return the verdicts on an ale of 1.048 behind a cycling valve in which all gas stops at once, at two thirds.

    Hydrometer samples by the hour.
    """
    batch = Batch(
        vessel=VALVED, hours=150, opening_bar=1.2, blow_down_bar=0.1, tail_h=14, stop_h=BROKEN_OFF_H
    )
    entries = [(START_S + hour * HOUR_S, f"gravity {value:.4f}") for hour, value in samples]
    found = feed(watch_of(VALVED), stream(batch.samples(), *entries))
    return of(found, Condition.FINISHED, Condition.STALLED, Condition.FINISH_SUSPECTED)


def test_gas_that_breaks_off_early_is_no_end() -> None:
    """Nothing comes from one hour to the next: an alarm that asks for a sample, raised once, and never `finished`."""
    found = broken_off()
    assert [(one.condition, one.state) for one in found] == [(Condition.STALLED, State.RAISED)]
    assert "gravity sample" in found[0].text


def test_a_sample_that_stands_where_worts_end_lifts_the_doubt() -> None:
    """77 % attenuated (worts end at 70 to 85 %, common practice): the same silence is believed then."""
    found = broken_off((90.0, 1.0110))
    assert [one.condition for one in found if one.state is not State.CLEARED][-1] is Condition.FINISHED
    assert hours_in(found[-1]) < 90 + 24


def test_silence_in_the_first_day_after_a_cold_spell_may_still_be_sleep() -> None:
    """Gas stops as the beer gets cold, with much to come; warm again, it is quiet for most of a day: no end."""
    batch = Batch(
        vessel=SEALED, hours=122, total_g_per_l=6.0, tail_h=30.0, stop_h=38.0,
        celsius=lambda hours: np.interp(hours, [32, 40, 96, 100], [19.0, 13.0, 13.0, 19.0]),
    )  # fmt: skip
    found = feed(watch_of(SEALED), stream(batch.samples()))
    assert of(found, Condition.STALLED)
    assert not of(found, Condition.FINISHED)


def test_nothing_is_over_behind_a_valve_in_half_the_usual_time() -> None:
    """At 8 °C most worts take three weeks: one that fades as yeast does within four days is asleep, or wants a sample."""
    batch = Batch(
        vessel=LAGER, hours=190, opening_bar=1.2, blow_down_bar=0.1, tail_h=16,
        celsius=lambda hours: np.full(len(hours), 8.0),
    )  # fmt: skip
    found = feed(watch_of(LAGER), stream(batch.samples()))
    assert not of(found, Condition.FINISHED)


def test_a_runaway_fridge_takes_the_pressure_off_its_valve() -> None:
    """Yeast stops in beer that goes on cooling: pressure leaves the level that a smooth valve held, and that tells at once."""
    batch = Batch(
        vessel=VALVED, hours=70, opening_bar=1.2, tail_h=14, stop_h=48.0,
        celsius=lambda hours: np.interp(hours, [40, 60], [19.0, 10.0]),
    )  # fmt: skip
    (raised,) = of(feed(watch_of(VALVED), stream(batch.samples())), Condition.STALLED)
    assert 48 < hours_in(raised) <= 48 + 5


def test_a_fridge_two_kelvin_too_cold_takes_the_pressure_off_its_valve() -> None:
    """Yeast stops in beer that stays at 16 °C, its range from 18 °C on: a smooth valve's pressure leaves it as the beer cools,
    and at two thirds of the usual time flow would pin it there."""
    vessel = replace(VALVED, yeast_temperature_c=(18.0, 24.0))
    batch = Batch(
        vessel=vessel, hours=80, opening_bar=1.2, tail_h=20, stop_h=48.0,
        celsius=lambda hours: np.interp(hours, [40, 50, 60], [19.0, 16.5, 16.0]),
    )  # fmt: skip
    (raised,) = of(feed(watch_of(vessel), stream(batch.samples())), Condition.STALLED)
    assert 48 < hours_in(raised) <= 48 + 12


@pytest.mark.parametrize(("stop_h", "asserted"), [(48.0, True), (110.0, False)])
def test_late_in_a_batch_silence_in_the_cold_asks_for_a_sample(stop_h: float, asserted: bool) -> None:
    """At 19 °C most worts are nearly done after 110 h: whether it sleeps, gravity knows. A rate known to 5 g/L a day is no evidence."""
    batch = Batch(
        vessel=VALVED, hours=stop_h + 30, opening_bar=1.2, tail_h=14 if asserted else 30, stop_h=stop_h,
        celsius=lambda hours: np.interp(hours, [stop_h - 8, stop_h + 12], [19.0, 10.0]),
    )  # fmt: skip
    (raised,) = of(feed(watch_of(VALVED), stream(batch.samples(noise_bar=0.02))), Condition.STALLED)
    assert stop_h < hours_in(raised) <= stop_h + 5
    assert ("asleep rather than done" in raised.text) is asserted
    assert ("gravity sample before anything else" in raised.text) is not asserted
    assert not any("production" in line for line in raised.evidence)


def test_a_cycling_valve_that_goes_quiet_in_the_cold_is_a_stall() -> None:
    """Four drops an hour, then none: the beer goes on giving off 1 g/L a day and more, and it is a stall all the same."""
    at_h = np.arange(0.0, 75.0, 1 / 60)
    cycles = np.where(at_h < 12, 0.1 * at_h, 1.1 + 0.1 * (at_h * 4 % 1))
    bars = np.where(at_h < 60, cycles, 1.05 + 0.15 * -np.expm1(-(at_h - 60) / 6))
    celsius = np.interp(at_h, [50, 56], [19.0, 13.0])
    samples = noisy(at_h, bars, celsius, seed=4, noise_bar=0.001)
    (raised,) = of(verdicts(VALVED, samples), Condition.STALLED)
    assert 60 < hours_in(raised) <= 60 + 4


def test_drops_that_cease_in_beer_two_kelvin_too_cold_are_a_stall() -> None:
    """Forty drops an hour, too fast to be told apart, then none for eight hours, a kelvin and more below the yeast's range."""
    vessel = replace(VALVED, yeast_temperature_c=(18.0, 24.0))
    at_h = np.arange(0.0, 75.0, 1 / 120)
    cycles = np.where(at_h < 12, 0.1 * at_h, 1.1 + 0.1 * (at_h * 6.2 % 1))
    bars = np.where(at_h < 60, cycles, 1.19)
    celsius = np.interp(at_h, [50, 56], [19.0, 16.5])
    samples = noisy(at_h, bars, celsius, seed=4, noise_bar=0.001)
    (raised,) = of(verdicts(vessel, samples), Condition.STALLED)
    assert 60 + 8 <= hours_in(raised) <= 60 + 12


@pytest.mark.parametrize("tooth_min", [6.0, 15.0])
def test_a_valve_at_work_in_beer_that_is_warm_again_ends_the_stall(tooth_min: float) -> None:
    """Drops every few minutes, too fast for a rate to be sure of, from two hours after the beer came back: told within a day
    and a half, and not while warming alone may drive the gas out."""
    at_h = np.arange(0.0, 130.0, 1 / 60)
    teeth = 1.1 + 0.1 * (at_h * 60 / tooth_min % 1)
    bars = np.where(at_h < 12, 0.1 * at_h, np.where((at_h < 60) | (at_h > 86), teeth, 1.05))
    celsius = np.interp(at_h, [50, 56, 78, 84], [19.0, 12.0, 12.0, 19.0])
    raised, cleared = of(
        verdicts(VALVED, noisy(at_h, bars, celsius, seed=4, noise_bar=0.001)), Condition.STALLED
    )
    assert (raised.state, cleared.state) == (State.RAISED, State.CLEARED)
    assert 81 + 24 <= hours_in(cleared) <= 84 + 36


@pytest.mark.parametrize("blow_down_bar", [0.0, 0.02])
def test_yeast_that_works_in_beer_a_little_too_cool_is_not_asleep(blow_down_bar: float) -> None:
    """A fridge's swing about 17.2 °C, yeast from 18 °C: behind its valve a flat pressure says nothing, cold or warm."""
    vessel = replace(VALVED, yeast_temperature_c=(18.0, 24.0))
    batch = Batch(
        vessel=vessel, hours=90, opening_bar=1.2, blow_down_bar=blow_down_bar,
        celsius=lambda hours: np.interp(hours, [20, 30], [19.0, 17.2]) + 0.4 * np.sin(hours * 1.5),
    )  # fmt: skip
    assert batch.total_g_per_l - batch.made_g_per_l(np.array([90.0]))[0] > 3  # the truth: it goes on
    assert of(feed(watch_of(vessel), stream(batch.samples())), Condition.STALLED) == []


def test_air_is_colder_than_the_beer_that_works_in_it() -> None:
    """A probe in the air of a fridge, a kelvin and a half below the range, while the beer is within it: neither stall nor cold."""
    vessel = replace(VALVED, yeast_temperature_c=(18.0, 24.0), probe=Probe.AIR)
    batch = Batch(vessel=vessel, hours=90, opening_bar=1.2, celsius=lambda hours: np.full(len(hours), 16.6))
    found = feed(watch_of(vessel), stream(batch.samples()))
    assert of(found, Condition.STALLED, Condition.TEMPERATURE_LOW) == []


@pytest.mark.parametrize(
    ("original_gravity", "sample", "told"),
    [
        (None, "", [Condition.FINISHED]),
        (1.048, "", [Condition.FINISH_SUSPECTED]),
        (1.048, "gravity 1.0100", [Condition.FINISH_SUSPECTED, Condition.FINISHED]),
    ],
)
def test_an_end_that_is_early_for_its_wort_is_proved_by_a_sample(
    original_gravity: float | None, sample: str, told: list[Condition]
) -> None:
    """Behind a cycling valve gas fades as at an end, in half the usual time: fast yeast, or one that stopped; a hydrometer knows."""
    vessel = replace(VALVED, original_gravity=original_gravity)
    batch = Batch(vessel=vessel, hours=130, opening_bar=1.2, blow_down_bar=0.06, tail_h=FAST_TAIL_H)
    entries = [(START_S + 120 * HOUR_S, sample)] if sample else []
    found = feed(watch_of(vessel), stream(batch.samples(), *entries))
    found = of(found, Condition.FINISHED, Condition.FINISH_SUSPECTED, Condition.STALLED)
    assert [finding.condition for finding in found] == told
    if original_gravity is not None:
        assert "sooner than most worts of 1.048" in found[0].text


def test_a_chill_that_was_entered_is_no_stall() -> None:
    """Shut and chilled on one evening: nothing is made in the cold, and the cold is what is wanted."""
    batch = Batch(
        vessel=VALVED, hours=240, opening_bar=1.2, tail_h=14, shut=((90.0, 240.0),),
        celsius=lambda hours: np.interp(hours, [90, 98], [19.0, 2.0]),
    )  # fmt: skip
    words = ((START_S + 90 * HOUR_S, "valve shut"), (START_S + 90 * HOUR_S, "chill 2"))
    assert of(feed(watch_of(VALVED), stream(batch.samples(), *words)), Condition.STALLED) == []
