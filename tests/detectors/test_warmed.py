"""Beer that was chilled and gets warm again: told after hours, with what the pressure comes to, and never as a nuisance."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import (
    HOUR_S,
    SEALED,
    START_S,
    Batch,
    capacity_g_per_l_bar,
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
from ullage.detectors.batch import Batch as Wishes
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.samples import Kind, Samples
from ullage.detectors.vessel import Probe, Vessel
from ullage.detectors.waits import Waits
from ullage.detectors.warmed import Warmed

Points = Sequence[tuple[float, float]]
BEER = replace(SEALED, probe=Probe.BEER, batch=Wishes())
CHILL_H, FAILS_H, END_H = 120.0, 180.0, 260.0
CHILLED: Points = ((0, 19.0), (CHILL_H, 19.0), (140, 2.0))
WARMS: Points = (*CHILLED, (FAILS_H, 2.0), (200, 15.0), (END_H, 15.0))
DONE = (CHILL_H - 1, "stage finished")
CHILL = (CHILL_H, "chill 2")


def course(points: Points, vessel: Vessel = BEER) -> Samples:
    """Return a sealed batch that makes little gas, at temperatures by straight lines through (hour, °C)."""
    return Batch(
        vessel=vessel,
        hours=points[-1][0],
        total_g_per_l=6.0,
        tail_h=12.0,
        celsius=lambda hours: np.interp(hours, [h for h, _ in points], [c for _, c in points]),
    ).samples()


def told(samples: Samples, *entries: tuple[float, str], vessel: Vessel = BEER) -> list[Finding]:
    """Return what is said of beer that has warmed up again; entries by the hour."""
    words = ((START_S + hour * HOUR_S, text) for hour, text in entries)
    found = feed(watch_of(vessel, (Activity, Warmed, Waits)), stream(samples, *words))
    return [f for f in of(found, Condition.TEMPERATURE_HIGH) if f.subject == "after the chill"]


def test_a_fridge_that_fails_is_told_with_what_becomes_of_the_pressure() -> None:
    """Two hours after the beer has passed six degrees, four above the target; the pressure is that of the gas balance."""
    samples = course(WARMS)
    (raised,) = told(samples, DONE, CHILL)
    passed_h = FAILS_H + (6.0 - 2.0) / 13.0 * 20
    assert (raised.state, raised.priority) == (State.RAISED, Priority.MEDIUM)
    assert passed_h + 2 <= hours_in(raised) <= passed_h + 2.4
    assert (raised.limit, raised.unit) == (6.0, "°C")
    assert raised.value is not None
    assert 7.0 < raised.value < 8.0
    bars = samples.value[samples.kind == Kind.PRESSURE]
    cold_bar = float(bars[int(FAILS_H * 60) - 1])
    now_bar = float(np.median(bars[int(hours_in(raised) * 60) - 6 :][:6]))
    assert now_bar > cold_bar + 0.2
    assert raised.text.startswith(
        f"The beer had been chilled and is at {raised.value:.1f} °C, for 2 h above 6.0 °C"
    )
    assert "Check that the fridge has power" in raised.text
    said_bar = float(raised.text.split("comes to about ")[1].split(" bar")[0])
    assert said_bar == pytest.approx(now_bar, abs=0.03)


def test_the_pressure_foreseen_is_that_of_the_balance_though_the_gauge_lags() -> None:
    """A gauge that has not risen yet hides nothing: foreseen is what the cold beer holds, at the temperature now."""
    time_s = every(60, END_H)
    hours = (time_s - START_S) / HOUR_S
    celsius = np.interp(hours, [h for h, _ in WARMS], [c for _, c in WARMS])
    bars = np.interp(hours, [5, 30, CHILL_H, 140], [0.0, 1.4, 1.4, 0.5])
    (raised,) = told(merged(pressure(time_s, bars), temperature(time_s + 20, celsius)), DONE, CHILL)
    assert raised.value is not None
    ratio = capacity_g_per_l_bar(BEER, 2.0) / capacity_g_per_l_bar(BEER, raised.value)
    expected_bar = (0.5 + BEER.air_pressure_bar) * ratio - BEER.air_pressure_bar
    said_bar = float(raised.text.split("comes to about ")[1].split(" bar")[0])
    assert said_bar == pytest.approx(expected_bar, abs=0.07)  # beer counts as cold up to 3 °C
    assert said_bar > 0.5 + 0.15


@pytest.mark.parametrize(
    ("rated_bar", "words"),
    [
        (3.0, "should it warm up to 20 °C (rated 3.00 bar)"),
        (2.05, "That is near its rated 2.05 bar: watch the gauge, keep the relief valve free"),
        (1.4, "That is above its rated 1.40 bar: cool it, or let gas off before it gets there"),
    ],
)
def test_the_rated_limit_is_named_where_it_comes_near(rated_bar: float, words: str) -> None:
    """Beer left in a shut vessel with more gas than its plate bears warm says so while there is time."""
    vessel = replace(BEER, rated_pressure_bar=rated_bar)
    time_s = every(60, END_H)
    hours = (time_s - START_S) / HOUR_S
    celsius = np.interp(hours, [h for h, _ in WARMS], [c for _, c in WARMS])
    bars = np.interp(hours, [5, 30, CHILL_H, 140], [0.0, 1.1, 1.1, 0.85])
    (raised, *_) = told(
        merged(pressure(time_s, bars), temperature(time_s + 20, celsius)), DONE, CHILL, vessel=vessel
    )
    assert words in raised.text


def test_cold_again_it_is_over() -> None:
    """Cleared once the beer is a kelvin below the limit for half an hour; not when it is just below."""
    points = (*WARMS[:-1], (210, 15.0), (212, 5.5), (220, 5.5), (222, 2.0), (END_H, 2.0))
    raised, cleared = told(course(points), DONE, CHILL)
    assert (raised.state, cleared.state) == (State.RAISED, State.CLEARED)
    assert 220.5 < hours_in(cleared) < 221.5


def test_a_chill_on_its_way_is_no_alarm() -> None:
    """Neither one that takes four days, nor one that never gets there."""
    slow = ((0, 19.0), (CHILL_H, 19.0), (220, 2.0), (END_H, 2.0))
    stuck = ((0, 19.0), (CHILL_H, 19.0), (140, 8.0), (200, 9.5), (END_H, 8.0))
    assert told(course(slow), DONE, CHILL) == []
    assert told(course(stuck), DONE, CHILL) == []


def test_a_door_that_stands_open_is_no_alarm() -> None:
    """An hour and a half at 15 °C around a probe that is in the beer or beside it; half of it for a probe in air."""
    door = (*CHILLED, (180, 2.0), (180.1, 15.0), (181.5, 15.0), (181.6, 2.0), (220, 2.0))
    assert told(course(door), DONE, CHILL) == []
    air = replace(BEER, probe=Probe.AIR)
    assert told(course(door, air), DONE, CHILL, vessel=air) == []


def test_a_probe_in_air_is_given_longer() -> None:
    """Its value is smoothed with the beer's own lag and must stand above for four hours; the words say what is measured."""
    air = replace(BEER, probe=Probe.AIR)
    (beer,) = told(course(WARMS), DONE, CHILL)
    (raised,) = told(course(WARMS, air), DONE, CHILL, vessel=air)
    assert hours_in(raised) > hours_in(beer) + 2
    assert raised.text.startswith("The air around the beer, averaged over hours, had been chilled")


@pytest.mark.parametrize("word", ["chill 15", "stage finished", "stage active"])
def test_the_brewers_word_that_it_is_to_be_warm_counts(word: str) -> None:
    """Said before, there is no alarm; said after, it is over at once."""
    samples = course(WARMS)
    assert told(samples, DONE, CHILL, (FAILS_H, word)) == []
    raised, cleared = told(samples, DONE, CHILL, (200.0, word))
    assert (raised.state, cleared.state) == (State.RAISED, State.CLEARED)
    assert hours_in(cleared) == pytest.approx(200.0, abs=0.2)


def test_served_warmer_it_may_be_as_warm_as_it_is_served() -> None:
    """A beer served at 13 °C: tapped, it stands at 15 without an alarm, and one at 17 rings; not tapped, it rings at 15."""
    cellar = replace(BEER, batch=Wishes(serving_c=13.0))
    tapped = (FAILS_H, "tapped")
    assert told(course(WARMS, cellar), DONE, CHILL, tapped, vessel=cellar) == []
    assert len(told(course(WARMS, cellar), DONE, CHILL, vessel=cellar)) == 1
    hot = (*WARMS[:-2], (200, 17.0), (END_H, 17.0))
    (raised,) = told(course(hot, cellar), DONE, CHILL, tapped, vessel=cellar)
    assert raised.limit == 16.0
    assert "3 K above the 13 °C of serving" in raised.text
    assert "If the vessel is empty" in raised.text


def test_cold_that_nobody_meant_may_be_warmed() -> None:
    """Beer chilled too early, with no word in the journal: warming it up again is the cure."""
    assert told(course(WARMS)) == []


def test_without_an_entry_the_end_of_fermentation_and_half_a_day_in_the_cold_count() -> None:
    """Known to be finished and cold for twelve hours: the same alarm, above the 5 °C that count as cold."""
    (raised,) = told(course(WARMS), DONE)
    assert raised.limit == 8.0


def test_a_beer_that_is_not_known_to_be_finished_may_begin_again() -> None:
    """Chilled by the brewer's word without a proved end: said with the alarm."""
    samples = course(WARMS)
    (proved,) = told(samples, DONE, CHILL)
    (open_end,) = told(samples, CHILL)
    assert "may begin again" in open_end.text
    assert "may begin again" not in proved.text


def test_a_new_chill_ends_the_alarm_and_the_next_failure_is_told_again() -> None:
    """The fridge is mended and `chill 2` entered; it fails again days later."""
    points = (*WARMS[:-1], (210, 15.0), (225, 2.0), (250, 2.0), (270, 15.0), (280, 15.0))
    found = told(course(points), DONE, CHILL, (210.0, "chill 2"))
    assert [f.state for f in found] == [State.RAISED, State.CLEARED, State.RAISED]
    assert hours_in(found[1]) == pytest.approx(210.0, abs=0.2)


def test_without_a_pressure_the_temperature_is_told_alone() -> None:
    """The pressure sensor has been taken off after the chill began: no number is made up."""
    samples = silenced(course(WARMS), Kind.PRESSURE, CHILL_H, END_H)
    (raised,) = told(samples, DONE, CHILL)
    assert "comes to about" not in raised.text
