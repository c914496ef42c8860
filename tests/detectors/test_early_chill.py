"""A chill begun too early is told at once, where readings show that gas still comes. All batches are invented."""

import pytest

from tests.detectors.streams import HOUR_S, SEALED, START_S, VALVED, Batch, hours_in, of, stream, verdicts
from tests.detectors.teeth_streams import teeth
from ullage.detectors.finding import Condition, Finding

CHILL_H = 60.0


def told(rate_g_per_l_day: float, entry: str = "chill 2") -> list[Finding]:
    """Return what is said of fermentation by a cycling valve's drops that an entry comes between."""
    batch = teeth(
        VALVED, days=3, rate_g_per_l_day=rate_g_per_l_day, tail_h=60.0, exchange_per_h=0.5, drop_bar=0.15
    )
    found = verdicts(VALVED, stream(batch.samples, (START_S + CHILL_H * HOUR_S, entry)))
    return of(found, Condition.STILL_FERMENTING)


def test_a_chill_while_a_cycling_valve_lets_gas_off_is_told_at_once() -> None:
    """Nearly four grams a day are still made: said within a quarter of an hour, with what becomes of the rest."""
    (one,) = told(10.0)
    assert CHILL_H <= hours_in(one) < CHILL_H + 0.3
    assert "in keg or bottle too" in one.text
    assert one.rate_g_per_l_day is not None
    assert one.rate_g_per_l_day < 10.0


@pytest.mark.parametrize(
    ("rate_g_per_l_day", "entry"),
    [pytest.param(0.6, "chill 2", id="next to nothing comes"), pytest.param(10.0, "tasted", id="no chill")],
)
def test_otherwise_nothing_is_said(rate_g_per_l_day: float, entry: str) -> None:
    """A tail that a chill may leave, and an entry that is none."""
    assert not told(rate_g_per_l_day, entry)


def test_a_sealed_vessel_tells_by_its_climb() -> None:
    """Half of a charge has been made when the chill begins; at the end of it nothing is said."""
    batch = Batch(vessel=SEALED, hours=160, total_g_per_l=4.0, tail_h=20)

    def said(hour: float) -> bool:
        found = verdicts(SEALED, stream(batch.samples(), (START_S + hour * HOUR_S, "chill 2")))
        return bool(of(found, Condition.STILL_FERMENTING))

    assert said(45.0)
    assert not said(150.0)


def smooth(hours: float, *entries: tuple[float, str]) -> list[Finding]:
    """Return what is said of still fermenting behind a smooth valve that hides the flow."""
    batch = Batch(vessel=VALVED, hours=hours, opening_bar=1.2, tail_h=14)
    given = stream(batch.samples(), *((START_S + hour * HOUR_S, text) for hour, text in entries))
    return of(verdicts(VALVED, given), Condition.STILL_FERMENTING)


def test_a_chill_that_nothing_shows_to_be_due_is_told() -> None:
    """Two days after the first gas most worts still ferment, and a smooth valve shows nothing: a sample is asked for."""
    (one,) = smooth(70, (60.0, "chill 2"))
    assert CHILL_H <= hours_in(one) < CHILL_H + 0.3
    assert "nothing has shown" in one.text
    assert "gravity sample" in one.text


def test_nothing_is_said_of_a_chill_that_is_due_by_time_or_by_a_sample() -> None:
    """Eight days after the first gas, or with a sample at 78 % attenuation."""
    assert smooth(210, (200.0, "chill 2")) == []
    assert smooth(70, (59.0, "gravity 1.0105"), (60.0, "chill 2")) == []
