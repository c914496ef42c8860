"""The question for a shut-valve test: a cycling valve that goes quiet is told long before time alone would tell it.

Streams of teeth and rests, written out here; the valve and its beer are invented.
"""

from typing import Any

import numpy as np
import pytest

from tests.detectors.streams import VALVED, hours_in, noisy, of, verdicts
from ullage.detectors.finding import Condition, Finding

QUIET_FROM_H = 70.0
OPENING_BAR = 1.2


def asked(
    *,
    drop_bar: float = 0.1,
    tooth_min: float = 60.0,
    goes_on: bool = False,
    celsius_after: float = 20.0,
    warm_again_h: float = 1000.0,
) -> list[Finding]:
    """Return the questions in 110 h: the vessel fills, the valve cycles, then rests where it opens (or cycles on)."""
    minutes = np.arange(0.0, 110 * 60.0)
    at_h = minutes / 60
    fills = np.minimum(OPENING_BAR, 0.1 * at_h)
    part = minutes % tooth_min / tooth_min
    cycles = OPENING_BAR - drop_bar * (1 - part)
    bars = np.where(at_h < 12, fills, np.where(goes_on | (at_h < QUIET_FROM_H), cycles, OPENING_BAR - 0.002))
    celsius = np.where((at_h < QUIET_FROM_H) | (at_h >= warm_again_h), 20.0, celsius_after)
    samples = noisy(at_h, bars, celsius, seed=6, noise_bar=0.001)
    return of(verdicts(VALVED, samples), Condition.FINISH_SUSPECTED)


def test_a_valve_that_lets_nothing_off_for_a_day_is_asked_about() -> None:
    """Every hour, then nothing: production has fallen to a small part, at three quarters of the usual time."""
    (question,) = asked()
    assert QUIET_FROM_H + 23 <= hours_in(question) <= QUIET_FROM_H + 27
    assert any("before that, every 60 min" in one for one in question.evidence)


@pytest.mark.parametrize(
    "why",
    [
        pytest.param({"goes_on": True}, id="the valve goes on"),
        pytest.param({"drop_bar": 0.013}, id="drops so small that others are missed"),
        pytest.param({"tooth_min": 10.0}, id="teeth that may have become too fast to be seen"),
        pytest.param({"celsius_after": 15.0}, id="beer below the range of its yeast"),
        pytest.param({"celsius_after": 15.0, "warm_again_h": 100.0}, id="yeast that wakes up again"),
    ],
)
def test_silence_that_something_else_explains_is_not_asked_about(why: dict[str, Any]) -> None:
    """Five ways in which drops cease, or seem to, while there is much to come."""
    assert not asked(**why)


def test_a_valve_that_lets_next_to_nothing_off_is_asked_about_by_time() -> None:
    """Drops too small to prove anything, every nine hours, far beyond the time that most worts take: at most 0.1 g/L a day."""
    at_h = np.arange(0.0, 200.0, 1 / 60)
    part = np.where(at_h < 80, at_h % 1.0, at_h % 9.0 / 9.0)
    bars = np.minimum(0.1 * at_h, OPENING_BAR - 0.0142 * (1 - part))
    questions = of(
        verdicts(VALVED, noisy(at_h, bars, 20.0, seed=6, noise_bar=0.001)), Condition.FINISH_SUSPECTED
    )
    assert questions
    assert "the drops that were seen in a day let off no more than 0." in questions[0].evidence[0]
