"""How little can still come, where the rate falls for another reason than the yeast's."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.detectors.streams import (
    HOUR_S,
    SEALED,
    VALVED,
    Batch,
    capacity_g_per_l_bar,
    hours_in,
    merged,
    noisy,
    of,
    pressure,
    stream,
    temperature,
    verdicts,
)
from tests.detectors.teeth_streams import teeth
from ullage.detectors.ending_bound import at_once
from ullage.detectors.finding import Condition, Finding
from ullage.detectors.samples import FloatArray, Kind

CELSIUS = 19.0
GIVEN_OFF_BAR, EXCHANGE_H = 0.5, 5.0
"""What the beer held beyond saturation raises the shut vessel by, and how fast it leaves (invented, by first order)."""
SLOW_G_PER_L, SLOW_TAIL_H = 2.2, 120.0
"""A last sugar: 0.44 g/L a day, for days."""


def shut_at_last(
    hours: float, to_come_g_per_l: float, tail_h: float, seed: int, given_off_bar: float = GIVEN_OFF_BAR
) -> tuple[list[Finding], float]:
    """Return what is said of a valve wound shut after five days over beer that gives off what it held, and when it was, s."""
    before = Batch(vessel=VALVED, hours=130, opening_bar=1.2, tail_h=14).samples()
    at_h = np.arange(0.0, hours, 1 / 60)
    made = to_come_g_per_l * -np.expm1(-at_h / tail_h)
    bars = 1.2 + given_off_bar * -np.expm1(-at_h / EXCHANGE_H) + made / capacity_g_per_l_bar(VALVED, CELSIUS)
    shut_s = float(before.time_s[-1]) + 60
    after = noisy(at_h, bars, CELSIUS, seed=seed, start_s=shut_s)
    return verdicts(VALVED, stream(merged(before, after), (shut_s, "valve shut"))), shut_s


def test_gas_given_off_after_shutting_says_nothing_of_how_long_the_yeast_goes_on() -> None:
    """The rate falls by four within hours of winding the valve shut, and levels out with 2 g/L to come: no end."""
    found, _ = shut_at_last(30.0, SLOW_G_PER_L, SLOW_TAIL_H, seed=5)
    assert of(found, Condition.STILL_FERMENTING)
    assert not of(found, Condition.FINISHED)


def test_a_shut_vessel_tells_itself_how_fast_the_rate_falls() -> None:
    """Wound shut with 2 g/L to come: the age alone allows a tail half as long again as the one that the climb shows."""
    to_come_g_per_l, tail_h = 2.0, 18.0
    found, shut_s = shut_at_last(60.0, to_come_g_per_l, tail_h, seed=7, given_off_bar=0.0)
    (end,) = of(found, Condition.FINISHED)
    over_h = tail_h * math.log(to_come_g_per_l / 0.4)
    assert 0 <= (end.time_s - shut_s) / HOUR_S - over_h <= 12


def test_a_climb_that_ends_all_at_once_is_a_valve_that_opens_again() -> None:
    """`valve shut`, but it was hardly turned: 20 g/L a day for half an hour, and from then on nothing, as if yeast could stop."""
    before = Batch(vessel=VALVED, hours=60, opening_bar=1.2, tail_h=25).samples()
    at_h = np.arange(0.0, 10.0, 1 / 60)
    climb_bar = np.minimum(20.0 / 24 * at_h / capacity_g_per_l_bar(VALVED, CELSIUS), 0.15)
    shut_s = float(before.time_s[-1]) + 60
    after = noisy(at_h, 1.2 + climb_bar, CELSIUS, seed=2, start_s=shut_s)
    found = verdicts(VALVED, stream(merged(before, after), (shut_s, "valve shut")))
    ends = of(found, Condition.STILL_FERMENTING, Condition.FINISHED)
    assert [one.condition for one in ends] == [Condition.STILL_FERMENTING]


def test_what_the_beer_gives_off_after_the_end_delays_little() -> None:
    """0.5 bar given off with 5 h and 0.15 g/L to come: told apart, the end is called while much of it is still coming."""
    all_found, shut_s = shut_at_last(40.0, 0.15, 30.0, seed=6)
    found = of(all_found, Condition.FINISHED)
    assert len(found) == 1
    assert (found[0].time_s - shut_s) / HOUR_S < 16


def test_a_late_test_waits_until_what_the_beer_gives_off_can_be_told() -> None:
    """A climb of 1 g/L a day that dies away is no answer to open the valve again; one that goes on is, after a day."""
    dies_away, _ = shut_at_last(40.0, 0.1, 30.0, seed=7, given_off_bar=0.1)
    assert all("Leave the valve shut" in one.text for one in of(dies_away, Condition.STILL_FERMENTING))
    assert of(dies_away, Condition.FINISHED)
    goes_on, shut_s = shut_at_last(40.0, 6.0, 120.0, seed=7, given_off_bar=0.05)
    doubt, *between, answer = of(goes_on, Condition.STILL_FERMENTING)
    assert all("Leave the valve shut" in one.text for one in (doubt, *between))
    assert (doubt.time_s - shut_s) / HOUR_S <= 1.5
    assert "Open the valve" in answer.text
    assert 23.9 < (answer.time_s - shut_s) / HOUR_S < 26


@pytest.mark.parametrize("falls", [False, True])
def test_a_bound_goes_on_while_the_pressure_rests_at_the_opening(falls: bool) -> None:
    """The last tooth comes up to where the valve opens before the bound has stood long enough, and stays there: the end is
    called all the same, and within hours. Not so if pressure sinks meanwhile, as if gas were going unseen."""
    batch = teeth(VALVED, days=9, rate_g_per_l_day=12.0, tail_h=38.0, exchange_per_h=1 / 2, drop_bar=0.1)
    rows = batch.samples.kind == Kind.PRESSURE
    time_s, bar = batch.samples.time_s[rows], batch.samples.value[rows]

    def ends(bars: FloatArray) -> list[float]:
        upto = len(bars)
        samples = merged(pressure(time_s[:upto], bars), temperature(time_s[:upto] + 5, np.full(upto, 18.0)))
        return [one.time_s for one in of(verdicts(VALVED, stream(samples)), Condition.FINISHED)]

    (natural_s,) = ends(bar)
    last = int(np.searchsorted(time_s, natural_s - 1.2 * HOUR_S))  # it stands, but not long enough
    rests = 1.1997 + 0.0005 * np.random.default_rng(8).standard_normal(6 * 60)
    if falls:
        rests -= 0.04 * np.clip(np.arange(len(rests)) / 60, 0, 1)
    assert bool(ends(np.concatenate([bar[:last], rests]))) is not falls


def charge(hours: float, made_g_per_l: Callable[[FloatArray], FloatArray], seed: int = 2) -> list[float]:
    """Return the hours at which a charge in a sealed vessel is called over."""
    at_h = np.arange(0.0, hours, 1 / 60)
    bars = made_g_per_l(at_h) / capacity_g_per_l_bar(SEALED, CELSIUS)
    samples = noisy(at_h, bars, CELSIUS, seed=seed)
    return [hours_in(one) for one in of(verdicts(SEALED, samples), Condition.FINISHED)]


@pytest.mark.parametrize("tail_h", [25.0, 50.0])
def test_a_charge_is_not_over_when_its_first_sugar_is(tail_h: float) -> None:
    """3.5 g/L within half a day, then 0.9 at a slow last sugar's pace: the age of the charge says nothing of that."""
    slow_g_per_l = 0.9

    def left(at_h: FloatArray | float) -> FloatArray:
        return np.asarray(slow_g_per_l * np.exp(-np.clip(np.asarray(at_h) - 14, 0, None) / tail_h))

    def made(at_h: FloatArray) -> FloatArray:
        return np.asarray(3.5 / (1 + np.exp(-(at_h - 10) / 1.2)) + slow_g_per_l - left(at_h))

    (end_h,) = charge(200.0, made)
    assert left(end_h) <= 0.4


def test_gas_that_racked_beer_brought_along_is_no_end() -> None:
    """A fifth of a bar comes out of the beer within hours, then the yeast rests for a day: nothing is over before it has begun."""

    def made(at_h: FloatArray) -> FloatArray:
        given_off = 0.4 * -np.expm1(-at_h)
        return np.asarray(given_off + 3.0 / (1 + np.exp(-(at_h - 60) / 5)))

    (end_h,) = charge(160.0, made)
    assert end_h > 75


@given(margins=st.lists(st.floats(1.0, 5.0), min_size=1, max_size=4))
def test_independent_margins_are_not_at_their_worst_at_once(margins: list[float]) -> None:
    """Together they come to at least the largest of them and at most their product; one alone stays as it is."""
    together = math.prod(margins) * at_once(*margins)
    assert max(margins) <= together * (1 + 1e-9)
    assert together <= math.prod(margins) * (1 + 1e-9)
    assert at_once(margins[0]) == pytest.approx(1.0)
