"""The end told by cooling: behind a valve that nobody shuts, beer that cools and is not refilled has stopped producing.

Streams with a gas balance of their own (streams.py); the pressure where a shut vessel comes to rest in the cool is worked out
there from the published solubility, not by the detectors. The vessel and its beer are invented.
"""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.detectors.streams import VALVED, capacity_g_per_l_bar, hours_in, noisy, of, verdicts
from ullage.detectors.finding import Condition, Finding
from ullage.detectors.vessel import Vessel

AIR_BAR = 1.01325
HELD_BAR = 1.2
WARM_C, COOL_C = 21.0, 17.0


def over(
    *conditions: Condition,
    vessel: Vessel = VALVED,
    cooled_at_h: float = 125.0,
    cool_c: float = COOL_C,
    uptake_h: float = 5.0,
    part: float = 1.0,
    made_g_per_l_day: float = 0.0,
) -> list[Finding]:
    """Return what is called the end (or what else is asked for) in 220 h: filled within 12 h, held by the valve, cooled in
    four hours.

    The vessel is shut from then on: pressure goes a part of the way to the balance of the cool with `uptake_h`, and up by what
    is made, at most to where the valve holds it.
    """
    at_h = np.arange(0.0, 220.0, 1 / 60)
    in_the_cool = np.clip(at_h - cooled_at_h, 0, None)
    celsius = WARM_C + (cool_c - WARM_C) * np.clip(in_the_cool / 4, 0, 1)
    content = capacity_g_per_l_bar(vessel, WARM_C) * (HELD_BAR + AIR_BAR)
    balance_bar = content / capacity_g_per_l_bar(vessel, cool_c) - AIR_BAR
    taken_up = 1 - np.exp(-np.clip(in_the_cool - 2, 0, None) / uptake_h)
    made_bar = made_g_per_l_day / 24 * in_the_cool / capacity_g_per_l_bar(vessel, cool_c)
    shut = np.minimum(HELD_BAR + part * (balance_bar - HELD_BAR) * taken_up + made_bar, HELD_BAR)
    bars = np.where(at_h < cooled_at_h, np.minimum(0.1 * at_h, HELD_BAR), shut)
    samples = noisy(at_h, bars, celsius, seed=3, noise_bar=0.001)
    return of(verdicts(vessel, samples), *(conditions or (Condition.FINISHED,)))


def test_a_level_that_flow_had_lifted_falls_back_by_itself() -> None:
    """First held at 1.2 bar, lifted to 1.35 at the height, and back there in beer a little cooler: the valve still passes gas."""
    at_h = np.arange(0.0, 220.0, 1 / 60)
    lift_bar = np.interp(at_h, [20, 30, 105, 117], [0.0, 0.15, 0.15, 0.0])
    celsius = np.interp(at_h, [103, 115], [WARM_C, WARM_C - 2.5])
    bars = np.minimum(0.1 * at_h, HELD_BAR) + lift_bar
    assert not of(verdicts(VALVED, noisy(at_h, bars, celsius, seed=3, noise_bar=0.001)), Condition.FINISHED)


def test_beer_that_cools_and_is_not_refilled_is_over() -> None:
    """Four kelvin take a quarter of a bar off; nothing fills it up again, and the beer has taken up all that it can."""
    (end,) = over()
    assert 125 + 20 <= hours_in(end) <= 125 + 60
    assert any("cooling has taken the pressure below" in one for one in end.evidence)
    assert "wind the valve shut" in end.text, "nobody has"


@pytest.mark.parametrize(
    "why",
    [
        pytest.param({"made_g_per_l_day": 0.6}, id="gas still comes"),
        pytest.param(
            {"cool_c": 20.3}, id="so little below the held level that a fading flow may have done it"
        ),
        pytest.param({"uptake_h": 60.0}, id="beer that may take up all that is made, for days"),
        pytest.param(
            {"vessel": replace(VALVED, yeast_temperature_c=(8.0, 22.0)), "cool_c": 12.0, "part": 0.3},
            id="at rest where the beer may take up as much again, hour by hour what is made",
        ),
        pytest.param({"cool_c": 14.0}, id="beer below the range of its yeast"),
        pytest.param(
            {"vessel": replace(VALVED, yeast_temperature_c=None)}, id="yeast that may sleep, nobody said when"
        ),
        pytest.param({"cooled_at_h": 60.0}, id="sooner than most worts are done"),
    ],
)
def test_cooling_that_leaves_a_doubt_is_no_end(why: dict[str, Any]) -> None:
    """Seven ways in which pressure stands below the held level, or seems to, while there may be much to come."""
    assert not over(**why)


def test_beer_that_is_chilled_after_the_usual_time_is_no_stall() -> None:
    """Nobody said that the chill begins, and the valve was never shut: below its range yeast proves nothing, either way."""
    assert not over(Condition.FINISHED, Condition.STALLED, cooled_at_h=180.0, cool_c=14.0)
