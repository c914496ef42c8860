"""The valve's level: told once, with the way to turn it, and again when it has moved."""

from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import (
    SEALED,
    START_S,
    VALVED,
    Batch,
    Stream,
    feed,
    hours_in,
    noisy,
    of,
    stream,
    watch_of,
)
from ullage.detectors.activity import Activity
from ullage.detectors.batch import Batch as BatchPlan
from ullage.detectors.finding import Condition, Finding
from ullage.detectors.held import Held
from ullage.detectors.samples import Kind
from ullage.detectors.vessel import Vessel


def said(batch: Batch, vessel: Vessel = VALVED, seed: int = 1) -> list[Finding]:
    """Return what is said of the level."""
    samples = batch.samples(seed=seed)
    return of(feed(watch_of(vessel, (Activity, Held)), Stream(samples=samples)), Condition.HELD)


@pytest.mark.parametrize(
    ("opening", "turn"), [(1.2, "says nothing about the end"), (1.5, "turn it out"), (0.95, "turn it in")]
)
def test_the_level_and_the_way_to_turn(opening: float, turn: str) -> None:
    """A smooth valve that holds 1.2, 1.5 or 0.95 bar where 1.2 is wanted: the level within 10 mbar, and the action."""
    (found,) = said(Batch(vessel=VALVED, hours=48, opening_bar=opening))
    assert found.value == pytest.approx(opening, abs=0.01)
    assert found.limit == 1.2
    assert turn in found.text
    if turn.startswith("turn"):
        assert "look again in 3 h" in found.text


def flow_lifts(rest_bar: float, lift_bar: float) -> list[Finding]:
    """Return what is said of a valve that a flow which grows until hour 34 and fades alike lifts above where it rests."""
    at_h = np.arange(0.0, 110.0, 1 / 60)
    flow = np.exp(-(((at_h - 34) / 15) ** 2))
    bars = np.minimum(np.maximum(at_h - 10, 0.0) / 15, 1) * (rest_bar + lift_bar * flow)
    given = Stream(samples=noisy(at_h, bars, 20.0, seed=2))
    return of(feed(watch_of(VALVED, (Activity, Held)), given), Condition.HELD)


def test_what_the_flow_lifts_is_left_alone() -> None:
    """1.2 bar wanted and at rest, 1.37 at the height (0.1 to 0.2 bar, common practice): no turn, then or later."""
    found = flow_lifts(1.2, 0.17)
    assert any("leave it" in told.text and "in about" in told.text for told in found)
    assert not any("turn it" in told.text for told in found)


def test_a_lifted_level_on_its_way_down_is_no_news() -> None:
    """At rest 0.1 bar above what is wanted, and 0.15 bar above that at the height: while it comes down no turn is advised."""
    found = flow_lifts(1.3, 0.15)
    assert sum("leave it" in told.text for told in found) == 1
    assert not any("turn it" in told.text for told in found)


def test_a_level_that_stays_too_high_without_flow_is_told_then() -> None:
    """1.38 bar where 1.2 is wanted, and the flow lifts it by 20 mbar only: left alone at the height, turned out when that is over."""
    first, later = flow_lifts(1.36, 0.02)
    assert "leave it" in first.text
    assert "still holds" in later.text
    assert "turn it out" in later.text
    assert 40 < hours_in(later) < 70


def test_a_level_further_off_than_flow_explains_is_told_at_once() -> None:
    """1.55 bar at the height where 1.2 is wanted."""
    assert "turn it out" in flow_lifts(1.4, 0.15)[0].text


def test_where_a_carbonation_is_wanted_one_number_is_given_to_turn_to() -> None:
    """Set to 1.2 bar, holds 1.5, and 6 g/L ask for more: not "turn it out" and "set it higher" in one breath."""
    wanting = replace(VALVED, batch=BatchPlan(carbonation="6.0 g/L"))
    (found,) = said(Batch(vessel=VALVED, hours=48, opening_bar=1.5), wanting)
    assert "0.30 bar above the 1.20 bar that it is set to" in found.text
    assert "turn it out" not in found.text
    assert "For the 6.0 g/L wanted: set the valve to" in found.text


def test_a_flat_pressure_is_awaited_for_three_hours() -> None:
    """Nothing is said on the way up, and the level soon after it has stood for three hours."""
    batch = Batch(vessel=VALVED, hours=48, opening_bar=1.2)
    hours, bars, _ = batch.run()
    reached_h = float(hours[np.argmax(bars >= 1.199)])
    (found,) = said(batch)
    assert reached_h + 2 < hours_in(found) < reached_h + 5


def test_a_sealed_vessel_holds_nothing() -> None:
    """No valve, no level."""
    assert said(Batch(vessel=SEALED, hours=100, total_g_per_l=3.0), SEALED) == []


def test_a_cycling_valve_is_said_to_let_gas_off_in_steps() -> None:
    """Teeth of 0.15 bar: the level lies between them."""
    (found, *_) = said(Batch(vessel=VALVED, hours=96, opening_bar=1.25, blow_down_bar=0.15))
    assert found.value is not None
    assert 1.1 <= found.value <= 1.25
    assert "in steps" in found.text


def test_a_level_that_a_leak_takes_away_is_not_the_valves() -> None:
    """Half a hundredth an hour through a seal from day five on: the level is told once, and the leak by its own alarm."""
    batch = Batch(vessel=VALVED, hours=330, opening_bar=1.2, tail_h=16, leak_per_h=0.005, leak_from_h=120)
    assert len(said(batch)) == 1


def test_a_level_in_beer_too_cold_for_its_yeast_is_not_the_valves() -> None:
    """Yeast of 16 to 22 °C at 9 °C: what the beer takes up has lowered the pressure, and a turn of the valve would be wrong."""
    cold = Batch(
        vessel=VALVED, hours=240, opening_bar=1.2, blow_down_bar=0.1, tail_h=40, stop_h=60,
        celsius=lambda hours: np.interp(hours, [50, 150], [19.0, 9.0]),
    )  # fmt: skip
    assert len(said(cold)) == 1


def test_jolts_of_an_empty_head_space_are_no_steps_of_the_valve() -> None:
    """Three dips of 40 mbar while the wort is still waiting for its yeast: the valve, set to 1.2 bar, passes smoothly."""
    samples = Batch(vessel=VALVED, hours=48, opening_bar=1.2).samples()
    hour = (samples.time_s - samples.time_s[0]) / 3600
    jolted = (samples.kind == Kind.PRESSURE) & (hour < 8) & (hour % 2 < 0.2)
    value = np.where(jolted, samples.value - 0.04, samples.value)
    given = Stream(samples=replace(samples, value=value))
    (found,) = of(feed(watch_of(VALVED, (Activity, Held)), given), Condition.HELD)
    assert "in steps" not in found.text


def test_a_level_that_moves_is_told_again() -> None:
    """Somebody turns the valve in by 0.2 bar: told anew, but not within twelve hours of the last word."""
    low, high = (Batch(vessel=VALVED, hours=120, opening_bar=bar, tail_h=30) for bar in (1.1, 1.3))
    first, second = low.samples(), high.samples()
    turned = first.time_s[0] + 60 * 3600
    value = np.where(first.time_s < turned, first.value, second.value)
    found = of(
        feed(watch_of(VALVED, (Activity, Held)), Stream(samples=replace(first, value=value))), Condition.HELD
    )
    assert [f.value for f in found] == [pytest.approx(1.1, abs=0.02), pytest.approx(1.3, abs=0.03)]
    assert 60 < hours_in(found[1]) < 75


def test_nobody_is_told_to_turn_it_in_above_the_plate() -> None:
    """A setting above the vessel's plate, or a level there: turn it out, whatever was wanted."""
    batch = Batch(vessel=VALVED, hours=48, opening_bar=1.2)
    entries = ((START_S, "valve set 1.4"),)
    for rated_bar, words in ((1.3, "set to 1.40 bar"), (1.15, "The valve holds 1.20 bar, and")):
        vessel = replace(VALVED, rated_pressure_bar=rated_bar, valve_pressure_bar=1.1)
        watch = watch_of(vessel, (Activity, Held))
        (found,) = of(feed(watch, stream(batch.samples(), *entries)), Condition.HELD)
        assert words in found.text
        assert "turn it out now" in found.text
        assert "turn it in" not in found.text
