"""A shut-valve test made too early: answered while the pressure still climbs, with a rate that holds the true one.

The balance is written out here: what the beer holds beyond saturation goes to the head space in proportion to it.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import HOUR_S, VALVED, Batch, merged, noisy, of, stream, verdicts
from ullage.detectors.finding import Condition, Finding
from ullage.detectors.samples import FloatArray
from ullage.detectors.vessel import Vessel

OPENING_BAR, CELSIUS, TAIL_H = 1.2, 19.0, 14.0
SMALL_HEAD = replace(VALVED, total_volume_l=21.5)


def climb_bar(vessel: Vessel, rate_g_per_l_day: float, exchange_per_h: float, at_h: FloatArray) -> FloatArray:
    """Return gauge pressure after the valve is shut on beer that was giving off all that it makes; steps of a second."""
    kelvin = CELSIUS + 273.15
    held = 10 * math.exp(2617.25 / kelvin - 10.73797)
    gas = 44.0095 / (0.083144626 * kelvin) * (vessel.total_volume_l / vessel.beer_volume_l - 1)
    made, beyond, bar = rate_g_per_l_day / 24, rate_g_per_l_day / 24 / exchange_per_h, OPENING_BAR
    bars = []
    for _ in range(int(at_h[-1] * 3600) + 2):
        bars.append(bar)
        passed = exchange_per_h * beyond / 3600
        bar += passed / gas
        beyond += made / 3600 - passed - held * passed / gas
    return np.interp(at_h, np.arange(len(bars)) / 3600, bars)


def said(
    vessel: Vessel, shut_h: float, bars: FloatArray, at_h: FloatArray, *words: tuple[float, str]
) -> tuple[list[Finding], float]:
    """Return what is said of a smooth valve's batch after `shut_h`, and when that was, s; entries count hours from then."""
    before = Batch(vessel=vessel, hours=shut_h, opening_bar=OPENING_BAR, tail_h=TAIL_H).samples()
    shut_s = float(before.time_s[-1]) + 60
    after = noisy(at_h, bars, CELSIUS, seed=4, start_s=shut_s)
    entries = [(shut_s + hour * HOUR_S, text) for hour, text in words]
    return verdicts(vessel, stream(merged(before, after), *entries)), shut_s


@pytest.mark.parametrize("vessel", [VALVED, SMALL_HEAD], ids=["head space 15 %", "head space 8 %"])
@pytest.mark.parametrize("exchange_per_h", [0.2, 0.5, 2.0])
def test_half_an_hour_is_enough_where_the_climb_is_steep(vessel: Vessel, exchange_per_h: float) -> None:
    """The brewer opens the valve again after half an hour, as the limit draws near: the answer is there by then."""
    shut_h, age_h = 50.0, 40.0
    true = 38.0 * 24 * age_h / TAIL_H**2 * math.exp(-age_h / TAIL_H)  # of Batch's total, by its course
    at_h = np.arange(0.0, 0.5, 1 / 60)
    bars = climb_bar(vessel, true, exchange_per_h, at_h)
    found, shut_s = said(vessel, shut_h, bars, at_h, (0.0, "valve shut"))
    (answer,) = of(found, Condition.STILL_FERMENTING)
    assert answer.time_s - shut_s <= 0.5 * HOUR_S
    assert answer.rate_g_per_l_day is not None
    assert true / 2.5 <= answer.rate_g_per_l_day <= 2.5 * true
    least, most = (
        float(part.strip("()")) for part in answer.text.split(" a day ")[1].split(",")[0].split(" to ")
    )
    assert least <= true <= most


def test_a_jump_of_pressure_that_stands_still_is_no_answer() -> None:
    """Somebody gives the head space gas from a bottle just after the valve was shut: nothing climbs."""
    at_h = np.arange(0.0, 0.6, 1 / 60)
    found, shut_s = said(
        VALVED, 150.0, np.where(at_h < 2 / 60, OPENING_BAR, OPENING_BAR + 0.3), at_h, (0.0, "valve shut")
    )
    assert not [one for one in of(found, Condition.STILL_FERMENTING) if one.time_s > shut_s]


def test_a_test_that_ends_within_minutes_is_answered_all_the_same() -> None:
    """A small head space fills to the limit within a quarter of an hour; the brewer opens the valve before any look at it."""
    at_h = np.arange(0.0, 1.2, 1 / 60)
    opened_h = 0.14
    bars = climb_bar(SMALL_HEAD, 30.0, 2.0, at_h)
    bars[at_h > opened_h] = OPENING_BAR
    words = (0.0, "valve shut"), (opened_h, "valve opened")
    found, shut_s = said(SMALL_HEAD, 50.0, bars, at_h, *words)
    (answer,) = of(found, Condition.STILL_FERMENTING)
    assert answer.time_s - shut_s <= (opened_h + 0.2) * HOUR_S
    assert "open again" in answer.text
    assert "left shut" not in answer.text


def test_a_short_test_in_which_nothing_climbs_is_not_answered() -> None:
    at_h = np.arange(0.0, 1.2, 1 / 60)
    words = (0.0, "valve shut"), (0.14, "valve opened")
    found, _ = said(SMALL_HEAD, 50.0, np.full(len(at_h), OPENING_BAR), at_h, *words)
    assert not of(found, Condition.STILL_FERMENTING)


def test_a_climb_that_nobody_announced_is_told_as_a_valve_that_may_be_stuck() -> None:
    """Who has not touched the valve is not told to open it again."""
    at_h = np.arange(0.0, 2.0, 1 / 60)
    found, _ = said(VALVED, 50.0, climb_bar(VALVED, 20.0, 2.0, at_h), at_h)
    (answer,) = of(found, Condition.STILL_FERMENTING)
    assert "it may be stuck" in answer.text
    assert "Left as it is, the pressure reaches the rated 3.00 bar" in answer.text
