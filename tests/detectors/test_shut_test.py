"""A shut-valve test late in a batch: beer that gives off what it held must not be taken for one that still ferments.

The climbs are written out here; vessel and wort are invented.
"""

import numpy as np
import pytest

from tests.detectors.streams import (
    HOUR_S,
    START_S,
    VALVED,
    Batch,
    hours_in,
    merged,
    noisy,
    of,
    stream,
    verdicts,
)
from ullage.detectors.co2 import capacity_g_per_l_bar
from ullage.detectors.finding import Condition, Finding

SHUT_H = 140.0


def answers(*, given_off_bar: float, bar_per_h: float) -> list[Finding]:
    """Return what is said of a test after most worts are done: a climb that dies away within hours, and one that goes on."""
    at_h = np.arange(0.0, 152.0, 1 / 60)
    since_h = np.maximum(at_h - SHUT_H, 0)
    bars = 1.2 * np.minimum(at_h / 10, 1) + given_off_bar * (1 - np.exp(-since_h / 1.0)) + bar_per_h * since_h
    given = stream(noisy(at_h, bars, 19.0, seed=3), (START_S + SHUT_H * HOUR_S, "valve shut"))
    found = of(verdicts(VALVED, given), Condition.STILL_FERMENTING, Condition.FINISHED)
    return [finding for finding in found if hours_in(finding) > SHUT_H]


def test_a_climb_that_may_be_given_off_is_no_reason_to_end_the_test() -> None:
    """A brewer who opened the valve at the first word would never hear the end: so the first word is to leave it shut."""
    first, last = answers(given_off_bar=0.12, bar_per_h=0.002)
    assert first.condition is Condition.STILL_FERMENTING
    assert "Leave the valve shut for 6 h in all" in first.text
    assert "Open the valve" not in first.text
    assert last.condition is Condition.FINISHED
    assert hours_in(last) <= SHUT_H + 10


@pytest.mark.parametrize("bar_per_h", [0.06, 0.15])
def test_after_the_hours_asked_for_production_is_told(bar_per_h: float) -> None:
    """2.8 and 7 g/L a day in balance: not sure while beer and gas are out of balance, plain after six hours."""
    first, last = answers(given_off_bar=0.0, bar_per_h=bar_per_h)
    assert "Leave the valve shut" in first.text
    assert hours_in(first) <= SHUT_H + 2.5
    assert "Open the valve" in last.text
    assert hours_in(last) == pytest.approx(SHUT_H + 6, abs=0.5)


def test_near_the_rated_limit_nobody_is_told_to_wait() -> None:
    """0.5 bar an hour: within six hours the vessel would be at its plate."""
    (only,) = answers(given_off_bar=0.0, bar_per_h=0.5)
    assert "Open the valve" in only.text
    assert hours_in(only) <= SHUT_H + 1


@pytest.mark.parametrize(("shut_h", "to_come_g_per_l", "given_off_bar"), [(75, 0.4, 0.15), (60, 1.0, 0.3)])
def test_a_wort_that_is_done_sooner_than_most_is_not_told_to_open_the_valve(
    shut_h: float, to_come_g_per_l: float, given_off_bar: float
) -> None:
    """Half to three quarters of the usual time, little gas to come and beer that gives off more: words to wait, then the end."""
    before = Batch(vessel=VALVED, hours=shut_h, opening_bar=1.2, tail_h=9).samples()
    since_h = np.arange(0.0, 30.0, 1 / 60)
    made_bar = to_come_g_per_l * -np.expm1(-since_h / 9) / capacity_g_per_l_bar(VALVED, 19.0)
    bars = 1.2 + given_off_bar * -np.expm1(-since_h / 5) + made_bar
    shut_s = float(before.time_s[-1]) + 60
    after = noisy(since_h, bars, 19.0, seed=3, start_s=shut_s)
    found = verdicts(VALVED, stream(merged(before, after), (shut_s, "valve shut")))
    first, *between, last = of(found, Condition.STILL_FERMENTING, Condition.FINISHED)
    assert "Leave the valve shut for 6 h in all" in first.text
    assert all("Leave the valve shut" in word.text for word in between)
    assert last.condition is Condition.FINISHED
    assert (last.time_s - shut_s) / HOUR_S < 13


@pytest.mark.parametrize(("lift_bar", "gains_h"), [(0.12, 5), (0.14, 5), (0.25, 12)])
def test_a_level_that_rises_with_the_flow_is_no_stuck_valve(lift_bar: float, gains_h: float) -> None:
    """A smooth valve begins to hold while fermentation still gains: its level climbs for hours, and nothing is wrong."""
    at_h = np.arange(0.0, 60.0, 1 / 60)
    flow = np.clip((at_h - 10) / gains_h, 0, 1)
    bars = 1.2 * np.minimum(at_h / 8, 1) + lift_bar * flow
    found = verdicts(VALVED, noisy(at_h, bars, 19.0, seed=4))
    assert of(found, Condition.HELD)
    assert not of(found, Condition.STILL_FERMENTING)
