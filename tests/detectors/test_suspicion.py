"""What is asked about while a valve may be passing gas: never what the brewer has settled, sooner what shows plainly."""

from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import HOUR_S, START_S, VALVED, Batch, hours_in, noisy, of, stream, verdicts
from tests.verdicts.generator import make_batch
from ullage.detectors.batch import Batch as Brew
from ullage.detectors.batch import Beverage
from ullage.detectors.finding import Condition, Finding
from ullage.detectors.samples import FloatArray, Kind, Samples
from ullage.detectors.vessel import Vessel

TAIL_H, LIFT_BAR = 6.0, 0.08


def flow(at_h: FloatArray) -> FloatArray:
    """Return the flow of a quick wort as a share of its height, which is 20 h after the beginning: then it fades with `TAIL_H`."""
    return np.where(at_h < 20, np.clip((at_h - 5) / 15, 0, 1), np.exp(-(at_h - 20) / TAIL_H))


def asked(
    lift_bar: float, hours: float = 190.0, *, fills_h: float = 8.0, vessel: Vessel = VALVED
) -> list[Finding]:
    """Return the questions about a smooth valve at 1.2 bar that stands `lift_bar` higher at the height of the flow."""
    at_h = np.arange(0.0, hours, 1 / 30)
    bars = np.minimum(at_h / fills_h, 1.0) * 1.2 + lift_bar * flow(at_h)
    return of(verdicts(vessel, noisy(at_h, bars, 19.0, seed=5)), Condition.FINISH_SUSPECTED)


def test_a_plain_slide_that_has_come_to_rest_is_asked_about_sooner() -> None:
    """The flow shows in the level: once it has faded, time alone would wait for another day and more."""
    by_slide, by_time = asked(LIFT_BAR)[0], asked(0.0)[0]
    assert "slid" in by_slide.evidence[0]
    assert hours_in(by_slide) <= hours_in(by_time) - 24
    assert flow(np.array([hours_in(by_slide)]))[0] < 0.04


def test_cider_is_given_twice_the_time() -> None:
    """Must takes two to three weeks (common practice): a level that never showed the flow is asked about that much later."""
    cider = replace(VALVED, batch=Brew(beverage=Beverage.CIDER))
    beer_h, cider_h = (hours_in(asked(0.0, 320.0, vessel=one)[0]) for one in (VALVED, cider))
    assert cider_h - 8 == pytest.approx(2 * (beer_h - 8), rel=0.1)


def test_a_wort_that_was_slow_to_fill_its_vessel_is_given_more_time() -> None:
    """Four days for what takes most a few hours: time alone asks later, counted from the first gas."""
    usual_h, slow_h = (hours_in(asked(0.0, 480.0, fills_h=fills_h)[0]) for fills_h in (8.0, 96.0))
    assert slow_h > 1.5 * usual_h + 40


def test_heat_that_has_all_come_is_asked_about() -> None:
    """Behind a smooth valve that nobody shuts: with a thermometer in the air the beer's own heat tells what pressure does not."""
    batch = make_batch("air_measured", 10)
    without = batch.samples.kind != Kind.AIR
    pressure_alone = Samples(
        time_s=batch.samples.time_s[without],
        kind=batch.samples.kind[without],
        value=batch.samples.value[without],
    )
    (question,) = of(verdicts(batch.vessel, batch.samples), Condition.FINISH_SUSPECTED)
    assert question.time_s >= batch.truth.ninety_s
    assert question.evidence[0].startswith("the heat that the beer gave off is that of ")
    assert of(verdicts(batch.vessel, pressure_alone), Condition.FINISH_SUSPECTED) == []


def test_nothing_is_asked_of_a_valve_that_the_journal_calls_shut() -> None:
    """When the question would be due, an hour after `valve shut`, the answer has to come from the test."""
    batch = Batch(vessel=VALVED, hours=170, opening_bar=1.2, tail_h=14)
    due_h = hours_in(of(verdicts(VALVED, batch.samples()), Condition.FINISH_SUSPECTED)[0])
    shut_h = due_h - 1.1
    tested = replace(batch, hours=due_h + 1, shut=((shut_h, 200.0),))
    given = stream(tested.samples(), (START_S + shut_h * HOUR_S, "valve shut"))
    assert of(verdicts(VALVED, given), Condition.FINISH_SUSPECTED) == []


@pytest.mark.parametrize("noise_bar", [0.002, 0.008])
def test_a_test_is_believed_though_the_height_was_never_measured(noise_bar: float) -> None:
    """The lid is lifted once at the beginning, which hides how fast it fills: that it was full within a day is enough."""
    batch = Batch(vessel=VALVED, hours=210, opening_bar=1.2, tail_h=14, shut=((180, 210),))
    samples = batch.samples(noise_bar=noise_bar)
    hour = (samples.time_s - START_S) / HOUR_S
    lid = (samples.kind == Kind.PRESSURE) & (hour > 1) & (hour < 3)
    lifted = replace(samples, value=np.where(lid, samples.value + 0.1, samples.value))
    given = stream(lifted, (START_S + 180 * HOUR_S, "valve shut"))
    (over,) = of(verdicts(VALVED, given), Condition.FINISHED)
    assert 183 <= hours_in(over) <= 192


def test_drops_that_are_not_kept_count_as_gas() -> None:
    """A drop of 14 mbar every half hour in warm beer: the sixteen that are kept are little, and all of a day are not; nothing is asked by time."""
    at_h = np.arange(0.0, 150.0, 1 / 60)
    bars = np.minimum(0.1 * at_h, 1.2 - 0.014 * (1 - at_h % 0.5 / 0.5))
    found = verdicts(VALVED, noisy(at_h, bars, 32.0, seed=6, noise_bar=0.0003))
    questions = of(found, Condition.FINISH_SUSPECTED)
    assert not any("let off no more than" in line for one in questions for line in one.evidence)


LEVEL_BAR = 1.2


def quick_wort(at_h: FloatArray) -> FloatArray:
    """Return the pressure of a quick wort behind a smooth valve that stands `LIFT_BAR` higher at the height of the flow."""
    return np.minimum(at_h / 8, 1.0) * LEVEL_BAR + LIFT_BAR * flow(at_h)


def test_what_an_answer_gave_hours_is_not_asked_again_at_once() -> None:
    """A level that had slid to rest before the test still rests after it: that is no news."""
    shut_h, opened_h = 60.0, 60.5
    at_h = np.arange(0.0, opened_h + 80, 1 / 30)
    during = (at_h >= shut_h) & (at_h < opened_h)
    bars = quick_wort(at_h) + np.where(during, 0.9 * (at_h - shut_h), 0.0)
    words = (START_S + shut_h * HOUR_S, "valve shut"), (START_S + opened_h * HOUR_S, "valve opened")
    found = verdicts(VALVED, stream(noisy(at_h, bars, 19.0, seed=5), *words))
    (answer,) = of(found, Condition.STILL_FERMENTING)
    questions = [one for one in of(found, Condition.FINISH_SUSPECTED) if one.time_s > answer.time_s]
    assert answer.value is not None
    assert questions
    assert hours_in(questions[0]) >= hours_in(answer) + answer.value / 2


def test_the_climb_of_a_test_is_no_flow_that_has_faded() -> None:
    """A wort that never showed its flow: the hours in which its vessel was shut stand high, those around them do not."""
    shut_h, opened_h = 80.0, 98.0
    at_h = np.arange(0.0, 112.0, 1 / 30)
    during = (at_h >= shut_h) & (at_h < opened_h)
    bars = np.minimum(at_h / 8, 1.0) * LEVEL_BAR + np.where(during, 0.016 * (at_h - shut_h), 0.0)
    words = (START_S + shut_h * HOUR_S, "valve shut"), (START_S + opened_h * HOUR_S, "valve opened")
    found = verdicts(VALVED, stream(noisy(at_h, bars, 19.0, seed=5), *words))
    assert not any("slid" in line for one in of(found, Condition.FINISH_SUSPECTED) for line in one.evidence)


@pytest.mark.parametrize("minutes", [1.0, 12.0])
def test_a_valve_that_was_turned_out_is_no_flow_that_has_faded(minutes: float) -> None:
    """A fifth of a bar at once and for good, as the flow goes on: the level that was held before says nothing any more."""
    at_h = np.arange(0.0, 110.0, 1 / 60)
    bars = np.minimum(at_h / 8, 1.0) * LEVEL_BAR - 0.2 * np.clip((at_h - 50) * 60 / minutes, 0, 1)
    found = verdicts(VALVED, noisy(at_h, bars, 19.0, seed=5))
    assert not any("slid" in line for one in of(found, Condition.FINISH_SUSPECTED) for line in one.evidence)


def test_what_was_let_off_by_hand_and_came_again_hides_no_slide() -> None:
    """A vent takes the pressure down for hours only: the slide of the level goes on to count from its height."""
    at_h = np.arange(0.0, 190.0, 1 / 30)
    vented = 0.5 * np.exp(-np.maximum(at_h - 40, 0) / 1.0) * (at_h >= 40)
    (question, *_) = of(
        verdicts(VALVED, noisy(at_h, quick_wort(at_h) - vented, 19.0, seed=5)), Condition.FINISH_SUSPECTED
    )
    assert "slid" in question.evidence[0]


def stuck(rests_bar: float) -> list[Finding]:
    """Return what is asked of a valve that held 1.2 bar, sticks after two days, and lets the pressure come to rest higher."""
    at_h = np.arange(0.0, 190.0, 1 / 30)
    bars = np.minimum(at_h / 8, 1.0) * LEVEL_BAR + (rests_bar - LEVEL_BAR) * np.clip((at_h - 50) / 3, 0, 1)
    return of(verdicts(VALVED, noisy(at_h, bars, 19.0, seed=5)), Condition.FINISH_SUSPECTED)


def test_nobody_is_asked_to_shut_a_vessel_above_its_rated_limit() -> None:
    """Where the relief valve holds the pressure, over-pressure comes first."""
    assert not stuck(VALVED.rated_pressure_bar + 0.2)


def test_near_the_rated_limit_a_sample_is_asked_for() -> None:
    """A valve that holds a tenth of a bar below the plate: a test has no room there."""
    questions = stuck(VALVED.rated_pressure_bar - 0.1)
    assert questions
    assert all("gravity sample" in one.text and "Wind the valve shut" not in one.text for one in questions)


@pytest.mark.parametrize(("to_c", "by_h"), [(21.0, 84), (17.0, 104)])
def test_nothing_is_asked_while_the_beer_is_cooled(to_c: float, by_h: float) -> None:
    """Within the yeast's range, at half a kelvin an hour: what it shows is the cooling, and a day later what has become of it."""
    at_h = np.arange(0.0, 140.0, 1 / 30)
    celsius = 21.0 + (to_c - 21.0) * np.clip((at_h - 60) / 12, 0, 1)
    (question,) = of(
        verdicts(VALVED, noisy(at_h, quick_wort(at_h), celsius, seed=5)), Condition.FINISH_SUSPECTED
    )
    assert by_h - 18 <= hours_in(question) <= by_h


def test_a_slide_that_a_frozen_sensor_hid_counts() -> None:
    """Frozen for half a day at the height of the flow, it jumps to where the level has slid meanwhile: nobody turned the valve."""
    at_h = np.arange(0.0, 190.0, 1 / 60)
    bars = quick_wort(at_h)
    samples = noisy(at_h, bars, 19.0, seed=5)
    hour = (samples.time_s - START_S) / HOUR_S
    dead = (samples.kind == Kind.PRESSURE) & (hour > 22) & (hour < 40)
    frozen = replace(samples, value=np.where(dead, LEVEL_BAR + LIFT_BAR, samples.value))
    (question, *_) = of(verdicts(VALVED, frozen), Condition.FINISH_SUSPECTED)
    assert "slid" in question.evidence[0]
