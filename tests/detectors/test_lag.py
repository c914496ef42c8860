"""How long the first gas is waited for: facts of the trade, marked so, and a wait that adds up however it is looked at."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.detectors.streams import SEALED
from ullage.detectors.batch import Batch, Beverage
from ullage.detectors.lag import Wait, allowed_h

MUST = replace(SEALED, batch=Batch(beverage=Beverage.CIDER))
HOUR_S = 3600.0


def test_common_practice() -> None:
    """An ale a day and a half at most, a lager at 8 to 10 °C two to three days, a cider longer (common practice)."""
    assert allowed_h(20.0, SEALED) == 36
    assert 48 < allowed_h(10.0, SEALED) <= 72
    assert allowed_h(2.0, SEALED) == allowed_h(8.0, SEALED) == pytest.approx(72)
    assert allowed_h(20.0, MUST) == 54


def told_after_h(wait: Wait, celsius: float, every_h: float) -> float:
    """Return when the wait is over, looked at so often."""
    at_h = 0.0
    while not wait.over:
        at_h += every_h
        wait.take(at_h * HOUR_S, 0.0, celsius)
    return at_h


@given(st.floats(-2, 30), st.floats(0.1, 3))
def test_the_wait_adds_up(celsius: float, every_h: float) -> None:
    """At one temperature it is what is allowed there, but for the last look; its limit is the same."""
    wait = Wait(SEALED, 0.0)
    allowed = allowed_h(celsius, SEALED)
    assert allowed - 1e-6 <= told_after_h(wait, celsius, every_h) <= allowed + every_h + 1e-6
    assert wait.limit_h == pytest.approx(allowed)


def test_the_brewers_number_stands_and_a_later_pitching_begins_anew() -> None:
    """48 h in cold wort as in warm; counted from the pitching that was entered last."""
    wait = Wait(SEALED, 48.0)
    assert told_after_h(wait, 5.0, 1.0) == 48
    assert wait.limit_h == 48
    wait.take(50 * HOUR_S, 49 * HOUR_S, 5.0)
    assert not wait.over
