"""What is said of a rate: an amount where one was measured, no number below nought."""

import re

import numpy as np
import pytest

from tests.detectors.streams import (
    HOUR_S,
    SEALED,
    START_S,
    VALVED,
    Batch,
    hours_in,
    noisy,
    of,
    stream,
    verdicts,
)
from ullage.detectors.finding import Condition


@pytest.mark.parametrize("seed", range(4))
def test_an_end_without_production_says_so(seed: int) -> None:
    """Half of all rates that are none come out below nought: the evidence says that there is none, and the most it can be."""
    batch = Batch(vessel=SEALED, hours=160, total_g_per_l=6.0, tail_h=12.0, stop_h=40.0)
    (found,) = of(verdicts(SEALED, batch.samples(seed=seed, noise_bar=0.004)), Condition.FINISHED)
    assert "-" not in " ".join(found.evidence)
    assert found.evidence[1].startswith("no production measurable, at most 0.")


def test_the_end_is_told_with_the_hours_that_the_brewer_knows() -> None:
    """Beer that gives off what it held for an hour or two: the bound is of the hours after them, the brewer shut the valve before."""
    at_h = np.arange(0.0, 160.0, 1 / 60)
    given_off = 0.12 * -np.expm1(-np.maximum(at_h - 140, 0.0))
    bars = 1.2 * np.minimum(at_h / 10, 1) + given_off
    word = (START_S + 140 * HOUR_S, "valve shut")
    (found,) = of(verdicts(VALVED, stream(noisy(at_h, bars, 19.0, seed=3), word)), Condition.FINISHED)
    said = re.search(r"in the last (\d+) of (\d+) h without a way out", found.text)
    assert said is not None
    assert int(said[2]) == pytest.approx(hours_in(found) - 140, abs=0.6)
    assert int(said[1]) < int(said[2])


@pytest.mark.parametrize(("shut_at_h", "soon"), [(70.0, True), (140.0, False)])
def test_an_end_that_comes_sooner_than_most_asks_for_a_sample_before_the_chill(
    shut_at_h: float, soon: bool
) -> None:
    """At 19 °C nine tenths take some 105 h as a rule: silence after 75 h may be an end, or yeast that has stopped."""
    at_h = np.arange(0.0, 160.0, 1 / 60)
    bars = 1.2 * np.minimum(at_h / 10, 1)
    word = (START_S + shut_at_h * HOUR_S, "valve shut")
    (found,) = of(verdicts(VALVED, stream(noisy(at_h, bars, 19.0, seed=3), word)), Condition.FINISHED)
    assert ("sooner than most" in found.text) is soon
    assert "gravity sample" in found.text
