"""A whole vessel: the verdict on simulated batches with known truth, and how the watch takes what it is fed."""

import math

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
    in_order,
    merged,
    noisy,
    of,
    pressure,
    silenced,
    stream,
    temperature,
    verdicts,
    watch_of,
)
from tests.reference.checks import the
from ullage.detectors.detector import Detector, Step
from ullage.detectors.finding import NOTICES, Condition, Finding, Priority, State
from ullage.detectors.over_pressure import OverPressure
from ullage.detectors.registry import compose
from ullage.detectors.samples import Entry, FloatArray, Kind, Samples
from ullage.detectors.watch import VesselWatch

VERDICTS = (Condition.FINISHED, Condition.STILL_FERMENTING, Condition.FINISH_SUSPECTED, Condition.STALLED)
TO_COME_G_PER_L = 0.4
"""CO2 that may still come at `finished`: about 0.1 °P."""


def end_h(batch: Batch) -> float:
    """Return the hour from which on no more than 0.4 g/L is still to come."""
    hours = np.arange(0.0, batch.hours, 0.1)
    left = batch.total_g_per_l - batch.made_g_per_l(hours)
    return float(hours[np.argmax(left <= TO_COME_G_PER_L)])


def said(batch: Batch, *entries: tuple[float, str], seed: int = 1) -> list[tuple[Condition, float]]:
    """Return the verdicts with their hours; entries by the hour."""
    given = stream(batch.samples(seed=seed), *((START_S + hour * HOUR_S, text) for hour, text in entries))
    return [(f.condition, hours_in(f)) for f in of(verdicts(batch.vessel, given), *VERDICTS)]


# -- the verdict ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("tail_h", [12.0, 25.0])
def test_a_sealed_charge(tail_h: float, seed: int) -> None:
    """A few grams in a sealed vessel: `finished` once, not before the truth and within a day of it."""
    batch = Batch(
        vessel=SEALED,
        hours=end_h(Batch(vessel=SEALED, total_g_per_l=4.5, tail_h=tail_h)) + 48,
        total_g_per_l=4.5,
        tail_h=tail_h,
    )
    ((condition, hour),) = said(batch, seed=seed)
    assert condition is Condition.FINISHED
    assert end_h(batch) <= hour <= end_h(batch) + 24


def test_a_smooth_valve_that_nobody_shuts_is_never_called_finished() -> None:
    """Pressure flat from day 1 to the end: no more than the request for a test, after nine tenths of the gas."""
    batch = Batch(vessel=VALVED, hours=320, opening_bar=1.2, tail_h=20)
    names = said(batch)
    assert [condition for condition, _ in names] == [Condition.FINISH_SUSPECTED]
    made = float(batch.made_g_per_l(np.array([names[0][1]]))[0])
    assert made >= 0.9 * batch.total_g_per_l


def test_a_test_too_early_and_one_at_the_end() -> None:
    """The early one is answered within 90 minutes; the later one, announced, gives the verdict within half a day."""
    batch = Batch(
        vessel=VALVED, hours=240, opening_bar=1.2, tail_h=16, shut=((55, 57), (140, 240)), total_g_per_l=36
    )
    words = ((55.0, "valve shut"), (57.0, "valve opened"), (140.0, "valve shut"))
    names = said(batch, *words)
    answers = [hour for condition, hour in names if condition is Condition.STILL_FERMENTING]
    assert len(answers) == 1
    assert 55 < answers[0] <= 56.5
    ends = [hour for condition, hour in names if condition is Condition.FINISHED]
    assert len(ends) == 1
    assert max(140.0, end_h(batch)) <= ends[0] <= max(140.0, end_h(batch)) + 12


def test_an_early_test_that_nobody_announced() -> None:
    """Recognised from the data alone, and answered within 90 minutes, far from the rated limit."""
    batch = Batch(vessel=VALVED, hours=60, opening_bar=1.2, tail_h=20, shut=((45, 60),))
    found = of(verdicts(VALVED, batch.samples()), Condition.STILL_FERMENTING)
    assert 45 < hours_in(found[0]) <= 46.5
    assert found[0].rate_g_per_l_day is not None
    made = batch.made_g_per_l(np.array([45.0, hours_in(found[0])]))
    true = float(made[1] - made[0]) / (hours_in(found[0]) - 45.0) * 24
    # beer and gas are in balance at once here, which is the upper end of what is told
    assert 0.25 * true < found[0].rate_g_per_l_day < 1.25 * true
    told = found[0].text.split(" to ")[1].split(")")[0]
    assert float(told) == pytest.approx(true, rel=0.2)


def test_a_cycling_valve_gives_the_verdict_by_itself() -> None:
    """Teeth that grow apart, then none: `finished` without anybody's hand, never early."""
    batch = Batch(vessel=VALVED, hours=300, opening_bar=1.2, blow_down_bar=0.1, tail_h=18)
    ends = [hour for condition, hour in said(batch) if condition is Condition.FINISHED]
    assert len(ends) == 1
    assert end_h(batch) <= ends[0] <= end_h(batch) + 36


def test_sleep_in_the_cold_is_a_stall_and_no_end() -> None:
    """The beer falls below the yeast's range and everything stops: `stalled`, and `finished` never."""
    batch = Batch(
        vessel=SEALED, hours=120, total_g_per_l=6.0, tail_h=30.0, stop_h=38.0,
        celsius=lambda hours: np.clip(19.0 - (hours - 32) * 1.0, 11.0, 19.0),
    )  # fmt: skip
    names = said(batch)
    assert [condition for condition, _ in names] == [Condition.STALLED]
    assert 38 <= names[0][1] <= 50


def _released(excess: float, tau_h: float, hours: float) -> tuple[FloatArray, FloatArray]:
    """Return hours and bar of a shut keg at 18 °C whose still beer gives off gas held beyond saturation."""
    in_beer, in_gas = 1.7367, 0.15 * 1.8179  # g/L per bar (formula A) and 3 L of gas above 20 L of beer
    at = np.arange(0.0, hours, 1 / 60)
    bar_abs, dissolved = 2.2, excess * in_beer * 2.2
    bars = np.empty(len(at))
    for i in range(len(at)):
        flow = (dissolved - in_beer * bar_abs) / tau_h / 60
        dissolved -= flow
        bar_abs += flow / in_gas
        bars[i] = bar_abs - 1.01325
    return at, bars


def test_gas_that_is_only_given_off_delays_and_does_not_deceive() -> None:
    """Beer at 1.67 times saturation, as measured while fermenting, shut just after its end: no lasting doubt."""
    excess = the("supersaturation_ratio_end_of_fermentation").expected
    batch = Batch(vessel=VALVED, hours=130, opening_bar=1.2, tail_h=14)
    before = batch.samples()
    at, bars = _released(excess, 40.0, 96)
    shut_s = float(before.time_s[-1]) + 60
    after = noisy(at, bars, 19.0, seed=4, start_s=shut_s)
    both = merged(before, after)
    found = of(verdicts(VALVED, stream(both, (shut_s, "valve shut"))), *VERDICTS)
    ends = [(f.time_s - shut_s) / HOUR_S for f in found if f.condition is Condition.FINISHED]
    assert len(ends) == 1
    assert ends[0] <= 24
    assert found[-1].condition is Condition.FINISHED


# -- feeding ------------------------------------------------------------------------------------------------------------


def test_nothing_gives_nothing() -> None:
    """An empty block is no step."""
    assert VesselWatch(SEALED).update(Samples.empty()) == ()


def test_findings_come_in_the_order_of_time() -> None:
    """What one call finds is sorted, and is all about this vessel."""
    batch = Batch(vessel=VALVED, hours=60, opening_bar=1.2, shut=((40, 55),))
    found = VesselWatch(VALVED).update(silenced(batch.samples(), Kind.TEMPERATURE, 20, 30))
    assert [f.time_s for f in found] == sorted(f.time_s for f in found)
    assert {f.vessel for f in found} == {"valved"}
    assert len({f.condition for f in found}) >= 4


def test_every_finding_is_well_formed() -> None:
    """Notices are noted and alarms raised before they are cleared, critical is over-pressure's alone, numbers are numbers."""
    batch = Batch(vessel=VALVED, hours=100, opening_bar=1.2, shut=((40, 55),))
    found = VesselWatch(VALVED).update(silenced(batch.samples(), Kind.TEMPERATURE, 20, 30))
    assert {f.state for f in found} == set(State)
    standing: set[tuple[Condition, str]] = set()
    for f in found:
        key = (f.condition, f.subject)
        assert (f.state is State.NOTED) == (f.condition in NOTICES)
        assert (f.priority is Priority.CRITICAL) == (f.condition is Condition.OVER_PRESSURE)
        if f.state is State.RAISED:
            assert key not in standing
            standing.add(key)
        elif f.state is State.CLEARED:
            standing.remove(key)
        assert len(f.text) > 20
        for number in (f.value, f.limit, f.rate_g_per_l_day):
            assert number is None or math.isfinite(number)
        if f.value is not None:
            assert f.unit


def test_vessels_share_nothing() -> None:
    """Two watches fed in turns say what each says alone."""
    one = Batch(vessel=SEALED, hours=60, total_g_per_l=5.0).samples(seed=1)
    two = Batch(vessel=VALVED, hours=60, opening_bar=1.2, shut=((40, 50),)).samples(seed=2)
    first, second = VesselWatch(SEALED), VesselWatch(VALVED)
    told: tuple[list[Finding], list[Finding]] = ([], [])
    for at in range(0, len(one), 500):
        told[0].extend(first.update(one.cut(at, at + 500)))
        told[1].extend(second.update(two.cut(at, at + 500)))
    assert in_order(told[0]) == in_order(VesselWatch(SEALED).update(one))
    assert in_order(told[1]) == in_order(VesselWatch(VALVED).update(two))


def test_pressure_alone_is_enough_for_the_safety_path() -> None:
    """Without any temperature the rise is told, then the limit, and nothing fails."""
    batch = Batch(vessel=VALVED, hours=60, opening_bar=1.2, shut=((40, 60),), tail_h=25)
    watch = VesselWatch(VALVED)
    found = watch.update(silenced(batch.samples(), Kind.TEMPERATURE, 0, 60))
    names = [f.condition for f in found if f.state is State.RAISED]
    assert names.index(Condition.PRESSURE_RISING) < names.index(Condition.OVER_PRESSURE)
    assert not watch.failures


def test_entries_reach_detectors_at_their_place() -> None:
    """An entry is seen after the readings before it and the time up to it, whatever blocks the readings came in."""

    class Listening(Detector):
        name = "listening"

        def __init__(self) -> None:
            super().__init__(SEALED)
            self.heard: list[tuple[float, int]] = []
            self.minutes = 0

        def look(self, step: Step) -> list[Finding]:
            """Count minutes, and keep how many had been seen at each entry."""
            self.minutes += len(step.minutes)
            self.heard += [(entry.time_s, self.minutes) for entry in step.entries]
            return []

    for size in (1, 7, 1000):
        listening = Listening()
        watch = VesselWatch(SEALED, observers=(listening,))
        samples = pressure(START_S + 10 * np.arange(120.0), np.full(120, 0.5))
        for at in range(0, 60, size):
            watch.update(samples.cut(at, min(at + size, 60)))
        watch.enter(Entry(time_s=START_S + 600, text="a word"))
        watch.update(samples.cut(60, 120))
        watch.enter(Entry(time_s=START_S + 300, text="a word about earlier"))
        assert listening.heard == [(START_S + 600, 10), (START_S + 300, 19)]


def test_a_repeating_failure_is_said_once_and_the_rest_goes_on(caplog: pytest.LogCaptureFixture) -> None:
    """A detector that fails on each call is left out after the first."""

    class Failing(Detector):
        name = "failing"

        def look(self, step: Step) -> list[Finding]:
            """Fail."""
            raise RuntimeError("always")

    watch = VesselWatch(SEALED, observers=(Failing(SEALED),))
    found: list[Finding] = []
    for i in range(4):
        found += watch.update(pressure([START_S + i], [9.0]))
    assert [f.condition for f in found if f.condition is Condition.OVER_PRESSURE] == [Condition.OVER_PRESSURE]
    assert [(part, failure.what) for part, failure in watch.failures.items()] == [
        ("failing", "RuntimeError: always")
    ]
    assert len(caplog.records) == 1


def test_settings_reach_the_detectors() -> None:
    """A watch built with composed settings uses them."""
    samples = merged(
        pressure(START_S + np.arange(3.0), np.full(3, 0.5)), temperature([START_S + 20 * 60.0], [18.0])
    )
    assert [f.condition for f in VesselWatch(SEALED).update(samples)] == [Condition.SENSOR_SILENT]
    patient = compose({"silent": {"after_min": 30}})
    assert VesselWatch(SEALED, patient).update(samples) == ()


def test_only_some_detectors() -> None:
    """The helper of these tests builds what it is asked for, and leaves the table as it was."""
    time_s = START_S + np.arange(3.0)
    both = merged(pressure(time_s, [4.0, 4.0, 4.0]), temperature(time_s + 3600, np.full(3, 18.0)))
    alone = feed(watch_of(SEALED, (OverPressure,)), Stream(samples=both))
    assert {f.condition for f in alone} == {Condition.OVER_PRESSURE}
    assert {f.condition for f in VesselWatch(SEALED).update(both)} > {Condition.OVER_PRESSURE}
