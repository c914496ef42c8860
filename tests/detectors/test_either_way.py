"""A loss after a chill has to show wherever the probe sits; a real leak is told all the same."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import HOUR_S, SEALED, START_S, Batch, hours_in, of, stream, verdicts
from ullage.detectors.finding import Condition, Finding
from ullage.detectors.samples import FloatArray
from ullage.detectors.vessel import Probe

CHILLED_H, SWING_K = 150.0, 1.0
SLOW = Batch(vessel=SEALED, hours=230, total_g_per_l=2.2, tail_h=12)
CHILL = (CHILLED_H, "chill 3")


def restless(hours: FloatArray, *, k_per_h: float = 1.5) -> FloatArray:
    """Return beer that swings as fridge air does, and falls to 3 °C from hour 150 on."""
    held = 19.0 + SWING_K * np.sin(math.pi * hours)
    return np.where(hours < CHILLED_H, held, np.maximum(19.0 - k_per_h * (hours - CHILLED_H), 3.0))


def leaks(batch: Batch, *entries: tuple[float, str]) -> list[Finding]:
    """Return what is said of leaks; entries by the hour."""
    given = stream(batch.samples(), *((START_S + hour * HOUR_S, text) for hour, text in entries))
    return of(verdicts(batch.vessel, given), Condition.LEAK)


@pytest.mark.parametrize("entries", [(CHILL,), ()])
def test_a_chill_is_no_leak_of_beer_that_was_taken_for_air(entries: tuple[tuple[float, str], ...]) -> None:
    """Thought to be slow to follow, the beer would have taken up less than is missing: read as beer, nothing is."""
    assert leaks(replace(SLOW, celsius=restless), *entries) == []


@pytest.mark.parametrize("probe", [Probe.UNKNOWN, Probe.BEER])
def test_a_leak_after_the_chill_is_told(probe: Probe) -> None:
    """Two per cent of the pressure an hour from the third hour of the chill on."""
    vessel = replace(SEALED, probe=probe)
    batch = replace(SLOW, vessel=vessel, celsius=restless, leak_per_h=0.02, leak_from_h=CHILLED_H + 3)
    raised = leaks(batch, CHILL)[0]
    assert CHILLED_H + 3 < hours_in(raised) < CHILLED_H + 36


def test_without_a_chill_one_reading_is_enough() -> None:
    """A leak from a vessel in a restless fridge is found as soon as ever."""
    batch = replace(
        SLOW, celsius=lambda hours: restless(np.minimum(hours, 149.9)), leak_per_h=0.03, leak_from_h=150
    )
    (raised, *_) = leaks(batch)
    assert hours_in(raised) < 162
