"""Beer that fermented elsewhere, or whose pressure nobody reads: the cold side goes by temperature and the brewer's word."""

import re
from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import (
    HOUR_S,
    SEALED,
    START_S,
    feed,
    hours_in,
    noisy,
    of,
    silenced,
    stream,
    watch_of,
)
from ullage.detectors.batch import Batch
from ullage.detectors.ending_bound import age_in_tail_h
from ullage.detectors.finding import Condition, Finding, State
from ullage.detectors.samples import Kind, Samples
from ullage.detectors.stage import Stage, current
from ullage.detectors.watch import VesselWatch

WORDS = ((0.5, "stage finished"), (10, "chill 2"), (40, "fined 15"), (56, "fined 15"))
COLD_H = 10 + 10 * 17 / 18
VESSEL = replace(SEALED, batch=Batch(carbonation="5.0 g/L"))


def racked() -> Samples:
    """A keg filled with finished beer, chilled from 20 to 2 °C within ten hours, gas connected on the fourth day."""
    at_h = np.arange(0.0, 120.0, 1 / 12)
    return noisy(at_h, np.where(at_h < 80, 0.02, 1.0), np.interp(at_h, [10, 20], [20, 2]), seed=1)


def told(watch: VesselWatch, samples: Samples, words: tuple[tuple[float, str], ...] = WORDS) -> list[Finding]:
    """Feed a watch; entries by the hour."""
    return feed(watch, stream(samples, *((START_S + hour * HOUR_S, text) for hour, text in words)))


@pytest.mark.parametrize("gauge", [True, False])
def test_every_wait_is_kept(gauge: bool) -> None:
    """Cold through after twelve hours, each dose settled, ready: with a gauge that shows next to nothing, and with none."""
    samples = racked() if gauge else silenced(racked(), Kind.PRESSURE, 0, 120)
    watch = watch_of(VESSEL)
    found = told(watch, samples)
    assert of(found, Condition.ACTIVITY, Condition.NO_ACTIVITY) == []
    (chilled,) = of(found, Condition.CHILLED)
    assert hours_in(chilled) == pytest.approx(COLD_H + 12, abs=0.5)
    first, second = of(found, Condition.FINING_DUE)
    assert hours_in(first) == pytest.approx(COLD_H + 12, abs=0.5)
    assert hours_in(second) == pytest.approx(40 + 12, abs=0.5)
    (ready,) = of(found, Condition.READY)
    assert hours_in(ready) == pytest.approx(56 + 18, abs=0.5)
    assert all("nan" not in finding.text for finding in found)
    if not gauge:
        assert "by the vessel's gauge" in first.text
        assert (first.value, ready.value) == (None, None)
        assert "et the regulator to" in ready.text


def test_the_alarm_about_missing_gas_ends_with_the_word() -> None:
    """Racked beer that nobody announced: told within three days, as cold as it is, and taken back by the entry that tells what it is."""
    found = told(watch_of(VESSEL), racked(), ((75, "chill 2"),))
    raised, cleared = of(found, Condition.NO_ACTIVITY)
    assert (raised.state, cleared.state) == (State.RAISED, State.CLEARED)
    assert 50 < hours_in(raised) < 72
    assert hours_in(cleared) == pytest.approx(75, abs=0.5)
    assert of(found, Condition.ACTIVITY) == []  # the bottle's gas on the fourth day


def test_a_wort_cooled_to_where_its_yeast_works_is_waited_for() -> None:
    """`chill 10` for a lager's yeast of 8 to 14 °C is no end: its first gas is told."""
    at_h = np.arange(0.0, 60.0, 1 / 12)
    samples = noisy(at_h, 0.06 * np.clip(at_h - 20, 0, None), 10.0, seed=1)
    lager = replace(VESSEL, yeast_temperature_c=(8.0, 14.0))
    found = told(watch_of(lager), samples, ((1, "chill 10"),))
    assert len(of(found, Condition.ACTIVITY)) == 1


def test_what_is_next_follows_the_word_at_once() -> None:
    """With a probe that has died no frame comes any more; the step to do next is the new one all the same."""
    watch = watch_of(VESSEL)
    samples = racked()
    told(watch, silenced(samples, Kind.TEMPERATURE, 60, 120), (*WORDS, (119, "tapped")))
    stage, step = current(watch.record.stages), watch.record.next_step
    assert stage is not None
    assert stage.stage is Stage.ON_TAP
    assert step is not None
    assert step.text.startswith("Nothing: enjoy it")
    assert watch.failures == {}


def test_an_empty_vessel_concerns_nobody() -> None:
    """After `batch ended`: no waiting for gas, no range of the yeast's; and the next pitching is watched as ever."""
    at_h = np.arange(0.0, 120.0, 1 / 12)
    samples = noisy(at_h, np.zeros(len(at_h)), 12.0, seed=3)
    ended = told(watch_of(VESSEL), samples, ((0, "batch ended"),))
    assert ended == []
    again = told(watch_of(VESSEL), samples, ((0, "batch ended"), (60, "pitched")))
    assert {found.condition for found in again} == {Condition.NO_ACTIVITY, Condition.TEMPERATURE_LOW}


@pytest.mark.parametrize("entry", [((0.0, "pitched"),), ()])
def test_who_joins_late_counts_from_pitching(entry: tuple[tuple[float, str], ...]) -> None:
    """The first reading came on the fourth day: the age that a tail is bounded by is the beer's, or three days more than is known."""
    at_h = np.arange(90.0, 140.0, 1 / 12)
    watch = watch_of(VESSEL)
    told(watch, noisy(at_h, np.full(len(at_h), 1.2), 20.0, seed=3), entry)
    record = watch.record
    assert record.joined_late
    assert age_in_tail_h(record) == pytest.approx(140 if entry else 50 + 72, abs=1)


@pytest.mark.parametrize("word", ["chill 2", "stage cold"])
def test_taken_back_to_active_in_the_cold_counts_from_pitching(word: str) -> None:
    """Beer that was cold when the first reading came, and is said to ferment after all: its age is no gauge's."""
    vessel = replace(VESSEL, valve_pressure_bar=1.2, yeast_temperature_c=(18.0, 24.0))
    at_h = np.arange(0.0, 200.0, 1 / 6)
    samples = noisy(at_h, np.ones(len(at_h)), 3.0, seed=3)
    watch = watch_of(vessel)
    words = ((-240, "pitched"), (0, word), (100, "stage active"), (150, "chill 2"))
    found = told(watch, samples, words)
    assert watch.record.age_h == pytest.approx(440, abs=1)
    told_of = [finding.text for finding in of(found, Condition.STILL_FERMENTING)]
    assert all(re.search(r"chill begins 1\d days after the first gas", text) for text in told_of)


def test_cold_that_the_brewer_has_judged_is_no_chill_again() -> None:
    """`stage active` takes a chill back though the beer is cold: what showed before that says nothing new."""
    at_h = np.arange(0.0, 140.0, 1 / 6)
    watch = watch_of(VESSEL)
    told(watch, noisy(at_h, np.ones(len(at_h)), 3.0, seed=3), ((-20, "chill 2"), (100, "stage active")))
    since = [change.stage for change in watch.record.stages if change.since_s >= START_S + 100 * HOUR_S]
    assert since[0] is Stage.ACTIVE
    assert Stage.CHILLING not in since


def test_finings_say_that_the_cold_is_meant() -> None:
    """Chilled without a word: the alarm about cold beer ends with what is done to cold beer only."""
    raised, cleared = of(told(watch_of(VESSEL), racked(), ((40, "fined 15"),)), Condition.TEMPERATURE_LOW)
    assert (raised.state, cleared.state) == (State.RAISED, State.CLEARED)
    assert hours_in(cleared) == pytest.approx(40, abs=1)


def test_gas_from_a_bottle_is_watched_though_nobody_is_told() -> None:
    """From the fourth day on there is a pressure to lose."""
    watch = watch_of(VESSEL)
    told(watch, racked())
    assert watch.record.activity_s == pytest.approx(START_S + 80 * HOUR_S, abs=1800)


def test_time_before_the_first_reading_counts_for_the_question() -> None:
    """A held pressure of the fourth day on: whoever says when it was pitched is asked for the test days sooner."""
    vessel = replace(VESSEL, valve_pressure_bar=1.2)
    at_h = np.arange(90.0, 330.0, 1 / 6)
    samples = noisy(at_h, np.full(len(at_h), 1.2), 19.0, seed=3)

    def asked_h(*words: tuple[float, str]) -> float:
        return hours_in(of(told(watch_of(vessel), samples, words), Condition.FINISH_SUSPECTED)[0])

    assert asked_h((0, "pitched")) < asked_h() - 48
