"""A plan that goes below the yeast's range: what is planned is no chill, and its own chill has its own end."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import HOUR_S, START_S, VALVED, Batch, feed, hours_in, of, stream, watch_of
from ullage.detectors.batch import Batch as Wishes
from ullage.detectors.finding import Condition, Finding
from ullage.detectors.stage import Stage, StageChange
from ullage.detectors.vessel import Probe, Vessel

FALL = "19 for 2.5 days, 13, chill 1"
"""Begun warm, ended cool: the second step lies three kelvin below the yeast's 16 °C."""
PLANNED = replace(
    VALVED, yeast_temperature_c=(16, 20), probe=Probe.BEER, batch=Wishes(plan=FALL, finings="no")
)
POINTS = ((0, 19.0), (60, 19.0), (72, 13.0), (190, 13.0), (202, 1.5), (300, 1.5))


def told(
    vessel: Vessel, points: Sequence[tuple[float, float]] = POINTS, *entries: tuple[float, str]
) -> tuple[list[Finding], list[StageChange]]:
    """Return what is said of a batch that takes this course, and its stages."""
    batch = Batch(
        vessel=vessel,
        hours=points[-1][0],
        tail_h=12,
        opening_bar=vessel.valve_pressure_bar,
        celsius=lambda hours: np.interp(hours, [h for h, _ in points], [c for _, c in points]),
    )
    watch = watch_of(vessel)
    words = [(0.0, "pitched"), *entries]
    found = feed(watch, stream(batch.samples(), *((START_S + h * HOUR_S, text) for h, text in words)))
    return found, [change for change in watch.record.stages if change.undone_s is None]


def hour_of(stages: Sequence[StageChange], stage: Stage) -> float:
    """Return when a stage was reached first, hours."""
    return next((c.since_s - START_S) / HOUR_S for c in stages if c.stage is stage)


def test_a_planned_fall_is_no_chill() -> None:
    """13 °C are planned: nobody is told to chill further; the same beer without a plan is being chilled."""
    slowed = (55.0, "stage slowing")
    _, stages = told(PLANNED, POINTS, slowed)
    assert 190 < hour_of(stages, Stage.CHILLING) < 202
    _, unplanned = told(replace(PLANNED, batch=Wishes(finings="no")), POINTS, slowed)
    assert 60 < hour_of(unplanned, Stage.CHILLING) < 72


def test_a_fall_beyond_the_plan_is_a_chill_without_a_range_too() -> None:
    """The plan alone says what is meant."""
    _, stages = told(replace(PLANNED, yeast_temperature_c=None), POINTS, (55.0, "stage slowing"))
    assert 190 < hour_of(stages, Stage.CHILLING) < 202


def test_cold_and_chilled_have_the_plans_target() -> None:
    """`chill 1` in the plan: within a kelvin of it for twelve hours, notice and stage at the same time."""
    found, stages = told(PLANNED)
    (chilled,) = of(found, Condition.CHILLED)
    there_h = 202 - 12 * 0.5 / 11.5  # at 2 °C on the way down to 1.5
    assert hours_in(chilled) == pytest.approx(there_h + 12, abs=0.5)
    assert chilled.limit == 2.0
    assert "at 2 °C or less for 12 h" in chilled.text
    assert hour_of(stages, Stage.COLD) == pytest.approx(hours_in(chilled), abs=0.2)


def test_the_end_of_a_planned_chill_is_foreseen_at_its_own_temperature() -> None:
    """A vessel with little gas ends below 0.05 bar at 1 °C; the fall to 13 °C before it is no chill."""
    thin = replace(PLANNED, valve_pressure_bar=0.5)
    found, _ = told(thin)
    (low,) = [f for f in of(found, Condition.PRESSURE_LOW) if f.subject]
    assert "Left to cool to 1 °C" in low.text
    assert 190 < hours_in(low) < 202


def test_a_planned_cold_rest_is_no_stall() -> None:
    """Yeast that goes to rest at the planned 13 °C is no alarm; where nobody planned it, it is."""
    points = ((0, 19.0), (60, 19.0), (66, 13.0), (150, 13.0))
    pitched = (0.0, "pitched")
    planned, _ = told(PLANNED, points, pitched)
    assert of(planned, Condition.STALLED) == []
    unplanned, _ = told(replace(PLANNED, batch=Wishes(finings="no")), points, pitched)
    assert [found.condition for found in of(unplanned, Condition.STALLED)] == [Condition.STALLED]
