"""A dead sensor in a shut-valve test: never an end, and the brewer is asked to move it.

Batches written out in `streams`; vessel and wort are invented.
"""

from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import HOUR_S, START_S, VALVED, Batch, frozen, hours_in, of, stream, verdicts
from ullage.detectors.finding import Condition, Finding, State
from ullage.detectors.samples import Kind, Samples
from ullage.detectors.unmoved import SUBJECT

SHUT_H, STEP_BAR = 60.0, 0.0098
BATCH = Batch(vessel=VALVED, hours=90.0, opening_bar=1.2, tail_h=25.0, shut=((SHUT_H, 90.0),))


def coarse(dead_from_h: float | None, vented_h: float | None = None) -> list[Finding]:
    """Return what is said of a coarse, quiet sensor in a vessel that is shut at its height, the sensor dead from an hour on."""
    samples = BATCH.samples(noise_bar=0.001, step_bar=STEP_BAR)
    if dead_from_h is not None:
        samples = frozen(samples, Kind.PRESSURE, dead_from_h, BATCH.hours)
    entries = [(START_S + SHUT_H * HOUR_S, "valve shut")]
    if vented_h is not None:
        samples = _moved(samples, vented_h)
        entries.append((START_S + vented_h * HOUR_S, "vented"))
    return verdicts(VALVED, stream(samples, *entries))


def _moved(samples: Samples, at_h: float) -> Samples:
    """Return a sensor that comes to life again when the brewer vents."""
    late = (samples.kind == Kind.PRESSURE) & (samples.time_s > START_S + at_h * HOUR_S)
    return replace(samples, value=np.where(late, samples.value - 2 * STEP_BAR, samples.value))


def asked_to_move_it(found: list[Finding]) -> list[Finding]:
    """Return the findings about a reading that does not move."""
    return [finding for finding in of(found, Condition.SENSOR_FROZEN) if finding.subject == SUBJECT]


@pytest.mark.parametrize("dead_from_h", [40.0, 55.0, 59.0])
def test_a_dead_sensor_never_shows_an_end(dead_from_h: float) -> None:
    """19 g/L are to come when the valve is shut: the pressure stays, since the sensor is dead."""
    found = coarse(dead_from_h)
    assert of(found, Condition.FINISHED) == []
    told = asked_to_move_it(found) or of(found, Condition.SENSOR_FROZEN)
    assert told[0].state is State.RAISED
    assert hours_in(told[0]) <= SHUT_H + 6.5


def test_it_asks_the_brewer_to_vent_and_clears_when_the_reading_follows() -> None:
    """Six hours of nothing at all, then a vent that shows: the alarm is over."""
    raised, cleared = asked_to_move_it(coarse(59.0, vented_h=70.0))
    assert (raised.state, cleared.state) == (State.RAISED, State.CLEARED)
    assert SHUT_H + 6 <= hours_in(raised) <= SHUT_H + 6.5
    assert "Vent a little" in raised.text
    assert 70 <= hours_in(cleared) <= 70.5


def test_a_sensor_that_is_alive_is_left_alone() -> None:
    """The same sensor, coarse and quiet, in the same vessel: its climb moves it."""
    assert asked_to_move_it(coarse(None)) == []
