"""A valve wound shut at the end by somebody who says nothing, and one that is only turned up."""

from collections.abc import Callable

import numpy as np
import pytest

from tests.detectors.streams import VALVED, Batch, hours_in, merged, noisy, of, verdicts
from ullage.detectors.finding import Condition, Finding
from ullage.detectors.samples import FloatArray

HELD_BAR, HIGHER_BAR = 1.2, 1.5
DONE_H = 140.0


def said_after(course: Callable[[FloatArray], FloatArray], seed: int = 3) -> list[Finding]:
    """Return the verdicts on a batch held by a smooth valve whose pressure takes this course (h → bar) once it is done."""
    before = Batch(vessel=VALVED, hours=DONE_H, opening_bar=HELD_BAR, tail_h=14).samples()
    at_h = np.arange(0.0, 60.0, 1 / 60)
    after = noisy(at_h, course(at_h), 19.0, seed=seed, start_s=float(before.time_s[-1]) + 60)
    found = verdicts(VALVED, merged(before, after))
    return of(found, Condition.STILL_FERMENTING, Condition.FINISH_SUSPECTED, Condition.FINISHED)


@pytest.mark.parametrize("exchange_h", [4.0, 8.0])
def test_a_climb_that_slows_down_and_rests_is_not_left_as_still_fermenting(exchange_h: float) -> None:
    """Gas given off by the beer, by first order: what was answered as production is followed by the question for the
    brewer's word, within a few of its time constants, and never by more than that."""
    found = said_after(lambda h: HELD_BAR + (HIGHER_BAR - HELD_BAR) * -np.expm1(-h / exchange_h))
    conditions = [one.condition for one in found]
    assert Condition.STILL_FERMENTING in conditions
    assert conditions[-1] is Condition.FINISH_SUSPECTED
    assert Condition.FINISHED not in conditions
    assert hours_in(found[-1]) - DONE_H <= 5 * exchange_h + 4
    assert "`valve shut`" in found[-1].text


def test_a_valve_that_is_turned_up_does_not_seem_to_be_shut() -> None:
    """The head space fills as steadily as before until the new setting stops it: production at work."""
    found = said_after(lambda h: np.minimum(HELD_BAR + 0.05 * h, HIGHER_BAR))
    lately = [one for one in found if hours_in(one) > DONE_H]
    assert not any("slower and slower" in one.text for one in lately)
