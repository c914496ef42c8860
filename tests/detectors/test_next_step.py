"""What there is to do next, stage by stage, and when it is due."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import (
    HOUR_S,
    SEALED,
    START_S,
    VALVED,
    feed,
    noisy,
    stream,
    watch_of,
)
from tests.detectors.streams import (
    Batch as Simulated,
)
from ullage.detectors.batch import Batch
from ullage.detectors.samples import Samples
from ullage.detectors.stage import NextStep
from ullage.detectors.vessel import Vessel

COLD_H = 10 + 10 * 17 / 18
"""When the beer is at 3 °C, the target and one."""
WORDS = ((0.5, "stage finished"), (10.0, "chill 2"), (40.0, "fined 15"), (56.0, "fined 15"), (80.0, "tapped"))


def chilled(warm_from_h: float = 1000.0) -> Samples:
    """Finished beer that is chilled from 20 to 2 °C within ten hours, in a fridge that may fail."""
    at_h = np.arange(0.0, 90.0, 1 / 6)
    celsius = np.interp(at_h, [10, 20, warm_from_h, warm_from_h + 5], [20, 2, 2, 12])
    return noisy(at_h, np.full(len(at_h), 0.6), celsius, seed=1)


def steps(
    vessel: Vessel, samples: Samples, words: tuple[tuple[float, str], ...], *at_h: float
) -> Mapping[float, NextStep | None]:
    """Return what was next at each of these hours."""
    watch = watch_of(vessel)
    hours = (samples.time_s - START_S) / HOUR_S
    found = {}
    for before, until in zip((0.0, *at_h), at_h, strict=False):
        part = samples.cut(int(np.searchsorted(hours, before)), int(np.searchsorted(hours, until)))
        feed(watch, stream(part, *((START_S + h * HOUR_S, text) for h, text in words if before <= h < until)))
        watch.tick(START_S + until * HOUR_S)
        found[until] = watch.record.next_step
    return found


def test_nothing_before_the_first_reading() -> None:
    """Of a vessel that has not spoken nobody knows what to do."""
    assert watch_of(SEALED).record.next_step is None


def test_the_cold_side_from_chill_to_tap() -> None:
    """Each wait with its end: twelve hours in the cold, twelve for the first dose, eighteen for the last (common practice)."""
    found = steps(
        replace(SEALED, batch=Batch()), chilled(), WORDS, 5.0, 12.0, 25.0, 35.0, 45.0, 60.0, 78.0, 85.0
    )
    expected: tuple[tuple[float, str, float | None], ...] = (
        (5.0, "With the valve shut, chill to 2 °C", 0.5),
        (12.0, "Wait until the beer is at 3 °C or less", None),
        (25.0, "Wait: the beer is in its target", COLD_H + 12),
        (35.0, "First dose of finings", COLD_H + 12),
        (45.0, "Second dose of finings", 40 + 12),
        (60.0, "Ready to serve", 56 + 18),
        (78.0, "Serve it", 56 + 18),
        (85.0, "Nothing: enjoy it", None),
    )
    for hour, text, due_h in expected:
        step = found[hour]
        assert step is not None
        assert step.text.startswith(text), hour
        assert (step.due_s is None) == (due_h is None), hour
        if due_h is not None and step.due_s is not None:
            assert (step.due_s - START_S) / HOUR_S == pytest.approx(due_h, abs=0.5), hour


def test_who_wants_no_finings_is_asked_for_none() -> None:
    """From cold to ready without a dose."""
    vessel = replace(SEALED, batch=Batch(finings="no"))
    found = steps(vessel, chilled(), WORDS[:2], 25.0, 35.0)
    assert all(step is not None and "finings: vent" not in step.text for step in found.values())
    last = found[35.0]
    assert last is not None
    assert last.text.startswith("Serve it")


@pytest.mark.parametrize("hour", [45.0, 60.0])
def test_a_fridge_that_fails_comes_first(hour: float) -> None:
    """Whatever was waited for: first the beer has to be cold again."""
    step = steps(replace(SEALED, batch=Batch()), chilled(hour), WORDS[:4], hour, hour + 8)[hour + 8]
    assert step is not None
    assert step.text.startswith("Chill it again")
    assert step.remind_s is not None


def test_a_step_of_the_plan_is_named_when_it_is_due() -> None:
    """Two days after pitching the beer is to be at 21 °C, as it is not; once it is, the next thing is the end."""
    vessel = replace(SEALED, batch=Batch(plan="19 for 2 days, 21"))
    for warmed, text in (
        (False, "Set the temperature to 21 °C, as planned"),
        (True, "Nothing: the end will be told"),
    ):
        batch = Simulated(
            vessel=vessel,
            hours=72,
            tail_h=40,
            celsius=lambda hours, warmed=warmed: np.where(warmed & (hours > 50), 21.0, 19.0),  # type: ignore[misc]
        )
        found = steps(vessel, batch.samples(), ((0.0, "pitched"),), 24.0, 71.0)
        first, last = found[24.0], found[71.0]
        assert first is not None
        assert last is not None
        assert first.text.startswith("Set the temperature to 21 °C")
        assert first.due_s == pytest.approx(START_S + 48 * HOUR_S)
        assert last.text.startswith(text)


def test_who_is_asked_for_a_test_is_told_so_until_the_valve_is_shut() -> None:
    """The question stands as the next step; with `valve shut` it is to wait."""
    batch = Simulated(vessel=VALVED, hours=300, tail_h=14, opening_bar=1.2, shut=((290, 300),))
    found = steps(VALVED, batch.samples(), ((0.0, "pitched"), (290.0, "valve shut")), 289.0, 291.0)
    asked, waiting = found[289.0], found[291.0]
    assert asked is not None
    assert waiting is not None
    assert asked.text.startswith("Wind the valve shut for some hours")
    assert waiting.text.startswith("Leave the valve shut")
