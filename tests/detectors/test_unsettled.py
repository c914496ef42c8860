"""A shut-valve test whose hours are over while nothing is settled: the brewer is told what is known, and when he hears more.

The climbs are written out here; vessel and wort are invented.
"""

import re
from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import (
    HOUR_S,
    START_S,
    VALVED,
    capacity_g_per_l_bar,
    hours_in,
    noisy,
    of,
    stream,
    verdicts,
)
from ullage.detectors.finding import Condition, Finding
from ullage.detectors.vessel import Vessel

SHUT_H = 140.0
LEVEL_BAR = 1.2


def told(
    rate_g_per_l_day: float,
    fades_h: float,
    hours: float,
    *,
    vessel: Vessel = VALVED,
    opened_h: float | None = None,
) -> list[Finding]:
    """Return what is said from the shutting of the valve on: gas comes at a rate that fades with a time constant."""
    at_h = np.arange(0.0, SHUT_H + hours, 1 / 30)
    since_h = np.maximum(at_h - SHUT_H, 0.0)
    came = (
        rate_g_per_l_day / 24 * fades_h * -np.expm1(-since_h / fades_h) / capacity_g_per_l_bar(vessel, 19.0)
    )
    if opened_h is not None:
        came[since_h >= opened_h] = 0.0
    words = [(START_S + SHUT_H * HOUR_S, "valve shut")]
    words += [] if opened_h is None else [(START_S + (SHUT_H + opened_h) * HOUR_S, "valve opened")]
    bars = LEVEL_BAR * np.minimum(at_h / 10, 1) + came
    found = verdicts(vessel, stream(noisy(at_h, bars, 19.0, seed=3), *words))
    said = of(found, Condition.STILL_FERMENTING, Condition.FINISHED, Condition.FINISH_SUSPECTED)
    return [finding for finding in said if hours_in(finding) > SHUT_H]


def test_no_word_stays_away_for_longer_than_the_last_one_said() -> None:
    """A last sugar that takes 50 h: what is known by then after eight hours, and at growing intervals until the end is proved."""
    *words, last = told(0.9, 50.0, 130.0)
    assert last.condition is Condition.FINISHED
    after = [word for word in words if "not settled yet" in word.text]
    assert len(after) >= 3
    assert hours_in(after[0]) <= SHUT_H + 8
    for word, following in zip(after, [*after[1:], last], strict=True):
        promised = re.search(r"Next word in (\d+) h", word.text)
        assert promised is not None
        assert (
            hours_in(following) - hours_in(word) <= int(promised[1]) + 1.2
        )  # an end in sight is proved within the hour
        assert "Leave the valve shut" in word.text
        assert word.rate_g_per_l_day == pytest.approx(
            0.9 * np.exp(-0.75 * (hours_in(word) - SHUT_H) / 50), rel=0.3
        )
    gaps_h = np.diff([hours_in(word) for word in after])
    assert (np.diff(gaps_h) > 0).all()


def test_what_a_quiet_beer_gives_off_for_days_is_no_reason_to_open_the_valve() -> None:
    """1.6 g/L a day at first that dies away with 40 h: who opened the valve would let the beer begin anew, and never hear the end."""
    *words, last = told(1.6, 40.0, 150.0)
    assert last.condition is Condition.FINISHED
    assert words
    assert not any("Open the valve" in word.text for word in words)


@pytest.mark.parametrize("rate", [0.5, 1.2])
def test_a_limit_that_draws_near_ends_the_wait(rate: float) -> None:
    """0.2 bar below the plate: the valve has to be opened, hours before the pressure gets there."""
    vessel = replace(
        VALVED, rated_pressure_bar=LEVEL_BAR + 8 * rate / 24 * 2.5 / capacity_g_per_l_bar(VALVED, 19.0)
    )
    words = told(rate, 400.0, 16.0, vessel=vessel)
    assert "Open the valve" in words[-1].text
    left_bar = rate / 24 * (hours_in(words[-1]) - SHUT_H) / capacity_g_per_l_bar(VALVED, 19.0)
    assert LEVEL_BAR + left_bar < vessel.rated_pressure_bar - 2 * rate / 24 / capacity_g_per_l_bar(
        VALVED, 19.0
    )
    assert not any("not settled yet" in word.text for word in words)


def test_a_test_that_ended_unsettled_is_asked_for_again() -> None:
    """The brewer opens the valve after ten hours: a day later, not at once and not never."""
    words = told(0.9, 50.0, 80.0, opened_h=10.0)
    asked_h = [hours_in(word) - SHUT_H - 10 for word in words if word.condition is Condition.FINISH_SUSPECTED]
    assert asked_h
    assert 24 <= asked_h[0] <= 27
