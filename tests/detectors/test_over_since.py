"""Since when fermentation has been over, by estimate: near the truth where the fall was seen, and never after the proof."""

from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import (
    HOUR_S,
    SEALED,
    START_S,
    VALVED,
    Batch,
    feed,
    hours_in,
    of,
    stream,
    watch_of,
)
from ullage.detectors.finding import Condition
from ullage.detectors.gravity_evidence import HAND_HOURS
from ullage.detectors.stage import Stage

CHARGE = Batch(vessel=SEALED, hours=320, total_g_per_l=4.0, tail_h=12)


def truly_over_h(batch: Batch) -> float:
    """Return the hour at which 0.4 g/L were still to come."""
    hours = np.arange(0.0, batch.hours, 0.1)
    left = batch.total_g_per_l - batch.made_g_per_l(hours)
    return float(hours[np.flatnonzero(left <= 0.4)[0]])


@pytest.mark.parametrize("tail_h", [6.0, 12.0, 18.0])
def test_the_stage_begins_when_it_was_over_and_says_when_that_was_proved(tail_h: float) -> None:
    """Within six hours of the truth in a sealed vessel; the proof itself never comes before the truth."""
    batch = replace(CHARGE, tail_h=tail_h)
    watch = watch_of(SEALED)
    (proof,) = of(feed(watch, stream(batch.samples())), Condition.FINISHED)
    (change,) = [change for change in watch.record.stages if change.stage is Stage.FINISHED]
    truth_h = truly_over_h(batch)
    assert hours_in(proof) >= truth_h
    assert (change.since_s - START_S) / HOUR_S == pytest.approx(truth_h, abs=6)
    late_h = (proof.time_s - change.since_s) / HOUR_S
    step = watch.record.next_step
    assert step is not None
    assert step.due_s == pytest.approx(
        proof.time_s, abs=600
    )  # what is to be done has waited since it was told, no longer
    assert change.why == f"over, by estimate, {late_h:.0f} h before it was proved"


def test_no_end_is_dated_back_before_the_brewer_said_that_it_still_works() -> None:
    """His word holds up to the moment at which he gave it."""
    watch = watch_of(SEALED)
    said_s = START_S + (truly_over_h(CHARGE) + 2) * HOUR_S
    feed(watch, stream(CHARGE.samples(), (said_s, "stage active")))
    (change,) = [change for change in watch.record.stages if change.stage is Stage.FINISHED]
    assert change.since_s > said_s


def test_by_gravity_it_is_over_since_gravity_stands() -> None:
    """Two samples alike, two days apart: since the first."""
    batch = Batch(vessel=VALVED, hours=260, opening_bar=1.2)
    samples = ((START_S + 170 * HOUR_S, "gravity 1.010"), (START_S + 218.5 * HOUR_S, "gravity 1.010"))
    watch = watch_of(VALVED)
    (proof,) = of(feed(watch, stream(batch.samples(), *samples)), Condition.FINISHED)
    assert hours_in(proof) >= 170 + HAND_HOURS
    (change,) = [change for change in watch.record.stages if change.stage is Stage.FINISHED]
    assert (change.since_s - START_S) / HOUR_S == pytest.approx(170)
