"""The beginning: gas that warming can't explain, and the alarm when none comes."""

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
from ullage.detectors.batch import Batch as BatchPlan
from ullage.detectors.batch import Beverage
from ullage.detectors.finding import Condition, Finding, State
from ullage.detectors.registry import compose
from ullage.detectors.samples import FloatArray, Kind
from ullage.detectors.watch import VesselWatch


def said(given: Stream) -> list[Finding]:
    """Return what is said of the beginning."""
    found = feed(watch_of(SEALED, (Activity,)), given)
    return of(found, Condition.ACTIVITY, Condition.NO_ACTIVITY)


def quiet(bars: FloatArray, celsius: FloatArray, *entries: tuple[float, str]) -> Stream:
    """Return a stream with noise of 2 mbar; one row a minute."""
    time_s = every(60, len(bars) / 60)
    noise = 0.002 * np.random.default_rng(1).standard_normal(len(bars))
    both = merged(pressure(time_s, bars + noise), temperature(time_s, celsius))
    return stream(both, *((START_S + hour * HOUR_S, text) for hour, text in entries))


@pytest.mark.parametrize("lag_h", [4.0, 12.0, 30.0])
def test_the_first_gas_is_noticed_within_hours(lag_h: float) -> None:
    """After lags of 4 to 30 h: noticed when a twentieth of a gram a litre has been made and not before any has."""
    batch = Batch(vessel=SEALED, hours=lag_h + 24, total_g_per_l=6.0, lag_h=lag_h)
    (found,) = said(Stream(samples=batch.samples()))
    assert found.condition is Condition.ACTIVITY
    made = float(batch.made_g_per_l(np.array([hours_in(found)]))[0])
    assert 0.02 < made < 0.15
    assert found.value is not None
    assert found.value > 0.02


def test_no_gas_in_thirty_six_hours_is_an_alarm_and_gas_takes_it_back() -> None:
    """Counted from the first reading, or from pitching where the journal has it."""
    batch = Batch(vessel=SEALED, hours=80, total_g_per_l=6.0, lag_h=50.0)
    raised, begun, cleared = said(Stream(samples=batch.samples()))
    assert (raised.condition, raised.state) == (Condition.NO_ACTIVITY, State.RAISED)
    assert 36 <= hours_in(raised) <= 36.5
    assert begun.condition is Condition.ACTIVITY
    assert (cleared.condition, cleared.state) == (Condition.NO_ACTIVITY, State.CLEARED)
    late = said(stream(batch.samples(), (START_S + 8 * HOUR_S, "pitched")))
    assert 44 <= hours_in(late[0]) <= 44.5
    assert "pitching" in late[0].text


@pytest.mark.parametrize(
    ("celsius", "beverage", "from_h", "to_h"),
    [(20.0, "ale", 36, 37), (10.0, "ale", 60, 72), (4.0, "ale", 70, 74), (15.0, "cider", 54, 72)],
)
def test_a_cold_wort_and_a_must_are_given_longer(
    celsius: float, beverage: str, from_h: float, to_h: float
) -> None:
    """Lagers begin within two to three days, ciders within one to three (common practice); dead ones are told all the same."""
    vessel = replace(SEALED, yeast_temperature_c=(4.0, 24.0), batch=BatchPlan(beverage=Beverage(beverage)))
    still = quiet(np.zeros(80 * 60), np.full(80 * 60, celsius))
    (raised,) = of(feed(watch_of(vessel, (Activity,)), still), Condition.NO_ACTIVITY)
    assert from_h <= hours_in(raised) <= to_h
    assert raised.limit == pytest.approx(hours_in(raised), abs=0.5)


@pytest.mark.parametrize("within_h", [20.0, 60.0])
def test_the_brewers_own_number_stands_whatever_the_temperature(within_h: float) -> None:
    """A wort at 10 °C that is to be told of after 20 or 60 h."""
    watch = VesselWatch(SEALED, compose({"activity": {"expected_within_h": within_h}}))
    still = quiet(np.zeros(80 * 60), np.full(80 * 60, 10.0))
    (raised,) = of(feed(watch, still), Condition.NO_ACTIVITY)
    assert within_h <= hours_in(raised) <= within_h + 0.5
    assert raised.limit == within_h


@pytest.mark.parametrize(("celsius", "first"), [(17.0, "warm the beer"), (21.0, "rouse the yeast")])
def test_fresh_yeast_is_the_last_thing_that_is_advised(celsius: float, first: str) -> None:
    """Yeast of 16 to 22 °C: vessel and sample first, then warmth where there is room for it, then yeast."""
    still = quiet(np.zeros(60 * 60), np.full(60 * 60, celsius))
    text = said(still)[0].text
    steps = [text.index(step) for step in ("shut and tight", "gravity sample", first, "pitch fresh yeast")]
    assert steps == sorted(steps)


def test_warming_is_no_activity() -> None:
    """A shut empty vessel that warms by 10 K gains 35 mbar by the gas law alone: nothing is said."""
    celsius = np.interp(np.arange(0, 30, 1 / 60), [0, 5, 15], [10.0, 10.0, 20.0])
    bars = 1.01325 * ((celsius + 273.15) / 283.15 - 1)
    assert bars.max() > 0.034
    assert said(quiet(bars, celsius)) == []


def test_weather_is_no_activity() -> None:
    """A gauge sensor shows the barometer upside down: 30 mbar in a day and a half, a strong fall, on wort that lies still."""
    hours = np.arange(0, 34, 1 / 60)
    bars = 0.015 * (1 - np.cos(np.pi * hours / 34))
    assert said(quiet(bars, np.full(len(hours), 18.0))) == []


def test_a_slow_beginning_is_one_in_the_end() -> None:
    """A cold lager that gains a millibar an hour: more than any weather after three days."""
    hours = np.arange(0, 80, 1 / 60)
    given = quiet(0.001 * hours, np.full(len(hours), 9.0))
    noticed = [found for found in said(given) if found.condition is Condition.ACTIVITY]
    assert 55 < hours_in(noticed[0]) < 70


def test_noise_is_no_activity() -> None:
    """A sensor with noise of 15 mbar needs more than one high value."""
    time_s = every(60, 35)
    bars = 0.015 * np.random.default_rng(3).standard_normal(len(time_s))
    both = merged(pressure(time_s, bars), temperature(time_s, np.full(len(time_s), 18.0)))
    assert said(Stream(samples=both)) == []


def test_a_record_that_begins_under_pressure_begins_in_the_middle() -> None:
    """No announcement of a beginning that was days ago, and no alarm that it doesn't come."""
    hours = np.arange(0, 60, 1 / 60)
    assert said(quiet(np.full(len(hours), 1.2), np.full(len(hours), 19.0))) == []


def test_a_vent_before_the_beginning_moves_the_base() -> None:
    """The lowest pressure so far is what a rise is measured from."""
    hours = np.arange(0, 40, 1 / 60)
    bars = np.where(hours < 10, 0.15, 0.0) + np.maximum(hours - 20, 0) * 0.02
    (found,) = said(quiet(bars, np.full(len(hours), 18.0)))
    assert 20.5 < hours_in(found) < 23


def test_silence_is_not_idleness() -> None:
    """Without pressure readings nobody knows whether gas has come: that is the silent sensor's alarm, not this one."""
    batch = Batch(vessel=SEALED, hours=60, total_g_per_l=6.0, lag_h=70.0)
    samples = silenced(batch.samples(), Kind.PRESSURE, 10, 100)
    assert said(Stream(samples=samples)) == []


def test_it_works_without_temperature() -> None:
    """A missing probe hides no beginning."""
    samples = Batch(vessel=SEALED, hours=30, total_g_per_l=6.0).samples()
    (found,) = said(Stream(samples=silenced(samples, Kind.TEMPERATURE, 0, 100)))
    assert found.condition is Condition.ACTIVITY


@pytest.mark.parametrize("seed", range(3))
def test_a_noisy_sensor_makes_no_beginning(seed: int) -> None:
    """Nothing ferments for four days under a sensor with 8 mbar of noise, read every two minutes: the alarm comes and stands."""
    time_s = every(120, 96)
    bars = 0.008 * np.random.default_rng(seed).standard_normal(len(time_s))
    given = stream(merged(pressure(time_s, bars), temperature(time_s + 20, np.full(len(time_s), 18.0))))
    (only,) = said(given)
    assert (only.condition, only.state) == (Condition.NO_ACTIVITY, State.RAISED)


@pytest.mark.parametrize("starts_h", [None, 60.0])
def test_what_the_wort_brought_along_is_no_fermentation(starts_h: float | None) -> None:
    """0.15 bar given off within hours in a vessel shut late, then nothing: an alarm once most would have begun, over when yeast does begin."""
    at_h = np.arange(0.0, 90.0, 1 / 60)
    bars = 0.15 * (1 - np.exp(-np.maximum(at_h - 5, 0) / 2))
    if starts_h is not None:
        bars += 0.004 * np.maximum(at_h - starts_h, 0) ** 1.5
    found = said(quiet(bars, np.full(len(at_h), 19.0)))
    begun, raised = found[:2]
    assert begun.condition is Condition.ACTIVITY
    assert (raised.condition, raised.state) == (Condition.NO_ACTIVITY, State.RAISED)
    assert 36 <= hours_in(raised) <= 37
    assert "brought along" in raised.text
    cleared = found[2:]
    assert [one.state for one in cleared] == ([] if starts_h is None else [State.CLEARED])
    if starts_h is not None:
        assert starts_h < hours_in(cleared[0]) <= starts_h + 8


@pytest.mark.parametrize("tau_h", [0.3, 0.7, 1.2, 2.0])
@pytest.mark.parametrize("open_h", [0.0, 1.0])
def test_what_comes_into_balance_in_a_vessel_just_shut_is_no_beginning(tau_h: float, open_h: float) -> None:
    """A keg fills to 0.3 bar within hours of being shut, by what its beer holds: yeast's gas is told when it comes."""
    at_h = np.arange(0.0, 60.0, 1 / 60)
    bars = 0.3 * -np.expm1(-np.maximum(at_h - open_h, 0) / tau_h)
    given = bars + 0.004 * np.maximum(at_h - 24, 0) ** 1.5
    (begun,) = said(quiet(given, np.full(len(at_h), 19.0)))
    assert begun.condition is Condition.ACTIVITY
    assert 24 < hours_in(begun) <= 24 + 6
    (raised,) = said(quiet(bars, np.full(len(at_h), 19.0)))
    assert raised.condition is Condition.NO_ACTIVITY
    assert "brings along" in raised.text


@pytest.mark.parametrize("bar_per_h2", [0.004, 0.02, 0.1])
def test_yeast_that_begins_at_once_is_told_within_hours(bar_per_h2: float) -> None:
    """Pitched into a vessel just shut and quick to begin: told as soon as it is plain that the rise goes on."""
    at_h = np.arange(0.0, 30.0, 1 / 60)
    (begun,) = said(quiet(bar_per_h2 * np.maximum(at_h - 1, 0) ** 2, np.full(len(at_h), 19.0)))
    assert begun.condition is Condition.ACTIVITY
    assert 3 < hours_in(begun) <= 7


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("interval_s", [30, 60, 300])
def test_the_steps_of_a_coarse_sensor_are_no_beginning(seed: int, interval_s: float) -> None:
    """A fridge's swing of 4 mbar under steps of 8.5 and as much noise: no gas for a day and a half."""
    time_s = every(interval_s, 35)
    at_h = (time_s - START_S) / HOUR_S
    rng = np.random.default_rng(seed)
    bars = (
        0.004 * np.sin(2 * np.pi * at_h / 2.5)
        + 0.008 * rng.standard_normal(len(at_h))
        + rng.uniform(0, 0.0085)
    )
    shown = np.round(bars / 0.0085) * 0.0085
    celsius = 18 + 0.5 * np.sin(2 * np.pi * at_h / 2.5)
    assert said(stream(merged(pressure(time_s, shown), temperature(time_s, celsius)))) == []


def test_a_vessel_that_fills_slowly_is_not_called_dead() -> None:
    """4 mbar an hour all along: by the alarm's time it has risen by a tenth of a bar, and rises on."""
    at_h = np.arange(0.0, 60.0, 1 / 60)
    found = said(quiet(0.004 * at_h, np.full(len(at_h), 19.0)))
    assert [one.condition for one in found] == [Condition.ACTIVITY]


@pytest.mark.parametrize(("fills_in_h", "begins"), [(1.0, True), (1 / 60, False)])
def test_yeast_that_fills_the_vessel_within_the_hour_is_no_bottle(fills_in_h: float, begins: bool) -> None:
    """From two hours on up to the valve, where it rests: within the hour it is yeast, the quickest there is; a bottle takes a minute."""
    at_h = np.arange(0.0, 30.0, 1 / 60)
    bars = np.clip((at_h - 2) / fills_in_h, 0, 1) * 1.2
    watch = watch_of(VALVED, (Activity,))
    found = of(feed(watch, quiet(bars, np.full(len(at_h), 20.0))), Condition.ACTIVITY)
    assert bool(found) is begins
    assert not begins or hours_in(found[0]) < 4
