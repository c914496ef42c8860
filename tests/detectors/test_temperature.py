"""Temperature outside the yeast's range: patience, dead-band, probes in air, beginnings and chills."""

from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import (
    HOUR_S,
    SEALED,
    START_S,
    every,
    feed,
    hours_in,
    merged,
    of,
    pressure,
    stream,
    temperature,
    watch_of,
)
from ullage.detectors.batch import Batch
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.samples import FloatArray
from ullage.detectors.temperature import Temperature
from ullage.detectors.vessel import Probe, Vessel
from ullage.detectors.waits import Waits

BEER = replace(SEALED, probe=Probe.BEER, yeast_temperature_c=(18.0, 22.0))
AIR = replace(BEER, probe=Probe.AIR)
LAG_H = 6.0
"""Lag of beer behind fridge air that detectors take (common practice: 4 to 12 h for 20 L)."""


def ramp(hours: float, *points: tuple[float, float]) -> FloatArray:
    """Return a temperature a minute by straight lines through (hour, °C)."""
    return np.asarray(
        np.interp(np.arange(0.0, hours, 1 / 60), [h for h, _ in points], [c for _, c in points]), float
    )


def said(vessel: Vessel, celsius: FloatArray, *entries: tuple[float, str]) -> list[Finding]:
    """Return what is found; entries by the hour."""
    time_s = every(60, len(celsius) / 60)
    both = merged(temperature(time_s, celsius), pressure(time_s, np.full(len(time_s), 0.5)))
    given = stream(both, *((START_S + hour * HOUR_S, text) for hour, text in entries))
    found = feed(watch_of(vessel, (Temperature,)), given)
    return of(found, Condition.TEMPERATURE_HIGH, Condition.TEMPERATURE_LOW)


@pytest.mark.parametrize(
    ("there", "condition", "limit"),
    [(23.0, Condition.TEMPERATURE_HIGH, 22.0), (17.0, Condition.TEMPERATURE_LOW, 18.0)],
)
def test_patience_and_dead_band(there: float, condition: Condition, limit: float) -> None:
    """Raised after 40 minutes outside, cleared after 40 minutes a dead-band inside, not before."""
    inside = 20.0
    edge = limit + (0.2 if there < limit else -0.2)  # within the range, but not by the dead-band
    course = ramp(
        20, (0, inside), (5, inside), (5.01, there), (9, there), (9.01, edge), (12, edge), (12.01, inside)
    )
    raised, cleared = said(BEER, course)
    assert (raised.condition, raised.state, raised.limit) == (condition, State.RAISED, limit)
    assert 5.66 <= hours_in(raised) <= 6.0
    assert cleared.state is State.CLEARED
    assert 12.66 <= hours_in(cleared) <= 13.0


def test_half_an_hour_outside_is_no_alarm() -> None:
    """An open door is forgiven."""
    assert said(BEER, ramp(12, (0, 20), (5, 20), (5.01, 25), (5.5, 25), (5.51, 20))) == []


def test_a_wort_on_its_way_is_given_twelve_hours() -> None:
    """A wort that starts too warm is no alarm while it cools; it is one if it hasn't arrived by then."""
    assert said(BEER, ramp(20, (0, 28.0), (11, 20.0))) == []
    (raised,) = said(BEER, ramp(20, (0, 28.0)))
    assert 12.5 <= hours_in(raised) <= 13.0


def test_once_in_range_the_patience_of_the_start_is_spent() -> None:
    """A wort that was in the range and leaves it within the first twelve hours alarms at once."""
    (raised,) = said(BEER, ramp(8, (0, 20.0), (3, 20.0), (3.01, 24.0)))
    assert 3.6 < hours_in(raised) < 4.1


def test_an_announced_chill_is_no_alarm() -> None:
    """With `chill 2` in the journal cold is what is wanted; without it, it is the chill begun too early."""
    chill = ramp(40, (0, 20.0), (10, 20.0), (20, 2.0))
    assert said(BEER, chill, (9.9, "chill 2")) == []
    (raised,) = said(BEER, chill)
    assert raised.condition is Condition.TEMPERATURE_LOW
    assert "chill" in raised.text


def test_a_chill_takes_a_standing_alarm_back() -> None:
    """Announced after the alarm: the alarm is over."""
    chill = ramp(40, (0, 20.0), (10, 20.0), (20, 2.0))
    raised, cleared = said(BEER, chill, (14.0, "chill 2"))
    assert (raised.state, cleared.state) == (State.RAISED, State.CLEARED)
    assert hours_in(cleared) < 15


def test_air_is_smoothed_before_it_is_judged() -> None:
    """Swings of 5 K in the fridge's air that beer would hardly feel are no alarm; the same swing in beer is one."""
    hours = np.arange(0.0, 72, 1 / 60)
    swing = 20.0 + 5.0 * np.sign(np.sin(2 * np.pi * hours / 2.0))
    assert said(AIR, swing) == []
    assert said(BEER, swing)


def test_air_that_stays_wrong_is_told_with_more_patience() -> None:
    """Air at 26 °C: told when the beer, by its lag, has been above the limit for two hours."""
    (raised,) = said(AIR, ramp(72, (0, 20.0), (20, 20.0), (20.01, 26.0)))
    beer_above_h = LAG_H * np.log((26.0 - 20.0) / (26.0 - 22.5))  # first-order lag, limit and half a kelvin
    assert hours_in(raised) == pytest.approx(20 + beer_above_h + 2.0, abs=0.4)
    assert "air" in raised.text


def test_an_undeclared_probe_is_told_apart_by_its_swings() -> None:
    """A probe that swings by kelvins within the hour sits in air, wherever it was said to be."""
    hours = np.arange(0.0, 72, 1 / 60)
    unknown = replace(BEER, probe=Probe.UNKNOWN)
    assert said(unknown, 20.0 + 1.9 * np.sin(2 * np.pi * hours / 2.0)) == []
    watch = watch_of(unknown, (Temperature,))
    time_s = START_S + hours * HOUR_S
    watch.update(
        merged(
            temperature(time_s, 20.0 + 2.5 * np.sin(np.pi * hours)),
            pressure(time_s, np.full(len(hours), 0.5)),
        )
    )
    assert watch.record.thermometer.in_air
    calm = watch_of(unknown, (Temperature,))
    calm.update(
        merged(
            temperature(time_s, 20.0 + 0.1 * np.sin(np.pi * hours)),
            pressure(time_s, np.full(len(hours), 0.5)),
        )
    )
    assert not calm.record.thermometer.in_air


def test_no_range_no_alarm() -> None:
    """A vessel whose yeast nobody named has no limits."""
    assert said(replace(BEER, yeast_temperature_c=None), ramp(20, (0, 40.0))) == []


def test_it_works_without_any_pressure() -> None:
    """Temperature alone is enough."""
    time_s = every(60, 8)
    found = watch_of(BEER, (Temperature,)).update(temperature(time_s, ramp(8, (0, 20), (3, 20), (3.01, 25))))
    assert [f.condition for f in found] == [Condition.TEMPERATURE_HIGH]


# -- the plan ---------------------------------------------------------------------------------------------------------

STEPS = "16 for 3 days, 20, rest 24 for 2 days, chill 1"
PLANNED = replace(BEER, batch=Batch(plan=STEPS))
"""Yeast of 18 to 22 °C; colder start, rise and warm rest all leave that range or come near its end."""
FOLLOWED = ((0, 24.0), (14, 16.0), (72, 16.0), (90, 20.0), (150, 20.0))
"""A wort that cools to the first step in half a day, and the rise to the second in less than a day."""


def test_a_plan_that_is_followed_is_no_alarm() -> None:
    """Neither the start two kelvin below the yeast's range nor the planned rise rings."""
    assert said(PLANNED, ramp(150, *FOLLOWED), (0.0, "pitched")) == []
    unplanned = said(BEER, ramp(150, *FOLLOWED), (0.0, "pitched"))
    assert [f.condition for f in unplanned if f.state is State.RAISED] == [Condition.TEMPERATURE_LOW]


def test_a_colder_start_has_its_own_end() -> None:
    """At 13 °C the beer is three below the planned start: that is too cold by yeast and plan, and told once."""
    (raised,) = said(PLANNED, ramp(60, (0, 16.0), (20, 16.0), (21, 13.0)), (0.0, "pitched"))
    assert (raised.condition, raised.subject, raised.limit) == (Condition.TEMPERATURE_LOW, "", 14.0)


@pytest.mark.parametrize(("stops_h", "told"), [(105.0, False), (66.0, True)])
def test_beer_that_is_slowly_on_its_way_to_its_step_is_no_alarm(stops_h: float, told: bool) -> None:
    """16 °C, then 20 from hour 48: 0.07 K an hour. More than two kelvin off after a day; told only if it stops on the way."""
    plan = replace(PLANNED, yeast_temperature_c=(12.0, 22.0), batch=Batch(plan="16 for 2 days, 20"))
    time_s = every(60, 120)
    course = ramp(120, (0, 16.0), (48, 16.0), (stops_h, 16 + 0.07 * (stops_h - 48)))
    both = merged(temperature(time_s, course), pressure(time_s, np.full(len(time_s), 0.5)))
    found = feed(watch_of(plan, (Temperature,)), stream(both, (START_S, "pitched")))
    assert [f.subject for f in of(found, Condition.TEMPERATURE_LOW)] == (["plan"] if told else [])


def test_beer_off_the_step_is_told_though_the_yeast_would_bear_it() -> None:
    """21 °C lie within the yeast's range; while 16 are due they are told after two hours, and over when it is back."""
    course = ramp(60, (0, 16.0), (20, 16.0), (20.01, 21.0), (30, 21.0), (30.01, 16.5))
    raised, cleared = said(PLANNED, course, (0.0, "pitched"))
    assert (raised.condition, raised.subject, raised.limit) == (Condition.TEMPERATURE_HIGH, "plan", 16.0)
    assert raised.priority is Priority.MEDIUM
    assert 22.0 <= hours_in(raised) <= 22.5
    assert "16 °C" in raised.text
    assert cleared.state is State.CLEARED
    assert 30.6 <= hours_in(cleared) <= 31.0


def test_a_step_that_was_forgotten_is_told_after_a_day() -> None:
    """Still at 16 °C where 20 were due from the third day on: the fourth day is for the move, then it is told."""
    (raised,) = said(PLANNED, ramp(110, (0, 16.0)), (0.0, "pitched"))
    assert (raised.condition, raised.limit) == (Condition.TEMPERATURE_LOW, 18.0)
    assert "plan has 20 °C" in raised.text
    assert 72 + 24 <= hours_in(raised) <= 72 + 24 + 1


def test_the_next_step_may_be_set_half_a_day_early() -> None:
    """At 20 °C from hour 62 on, ten hours before it is due."""
    assert said(PLANNED, ramp(90, (0, 16.0), (61, 16.0), (62, 20.0)), (0.0, "pitched")) == []


def test_the_planned_rest_is_no_alarm_once_fermentation_slows() -> None:
    """24 °C are two above the yeast's range: wanted for the rest, too warm while fermentation is at its height."""
    course = ramp(150, *FOLLOWED[:-1], (110, 20.0), (116, 24.0))
    time_s = every(60, 150)
    both = merged(temperature(time_s, course), pressure(time_s, np.full(len(time_s), 0.5)))

    def found(*words: tuple[float, str]) -> list[Finding]:
        entries = [(START_S, "pitched"), *((START_S + hour * HOUR_S, text) for hour, text in words)]
        watch = watch_of(PLANNED, (Temperature, Waits))
        return of(feed(watch, stream(both, *entries)), Condition.TEMPERATURE_HIGH, Condition.TEMPERATURE_LOW)

    assert found((105.0, "stage finished")) == []
    (raised,) = found()
    assert (raised.condition, raised.limit) == (Condition.TEMPERATURE_HIGH, 22.0)
    assert "stage finished" in raised.text


def test_a_chill_leaves_the_plan_behind() -> None:
    """With `chill 1` in the journal nobody asks for 20 °C any more."""
    course = ramp(150, *FOLLOWED[:-1], (110, 20.0), (120, 1.0))
    assert said(PLANNED, course, (0.0, "pitched"), (109.0, "chill 1")) == []


def test_a_plan_needs_no_range() -> None:
    """Without the yeast's range the plan alone is judged."""
    vessel = replace(PLANNED, yeast_temperature_c=None)
    (raised,) = said(vessel, ramp(60, (0, 16.0), (20, 16.0), (20.01, 30.0)), (0.0, "pitched"))
    assert raised.subject == "plan"
