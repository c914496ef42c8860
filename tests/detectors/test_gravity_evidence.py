"""Gravity that stands still, from samples by hand and from a floating sensor."""

import pickle

import numpy as np
import pytest

from ullage.detectors.gravity import Instrument
from ullage.detectors.gravity_evidence import GravityEvidence
from ullage.detectors.samples import Kind, Samples

T0 = 1_772_355_600.0
DAY = 86_400.0


def test_two_samples_two_days_apart_stand() -> None:
    """Unchanged within 0.001 over 48 h: common practice."""
    evidence = GravityEvidence()
    evidence.take(T0, 1.012)
    evidence.take(T0 + DAY, 1.012)
    assert evidence.stands(T0 + DAY) is None
    evidence.take(T0 + 2 * DAY, 1.011)
    said = evidence.stands(T0 + 2 * DAY + 3600)
    assert said is not None
    assert (said.span_h, said.stands) == (48.0, True)


@pytest.mark.parametrize("last", [1.0095, 1.0145])
def test_a_moving_gravity_does_not_stand(last: float) -> None:
    """Down or up by more than 0.001."""
    evidence = GravityEvidence()
    evidence.take(T0, 1.012)
    evidence.take(T0 + 2 * DAY, last)
    assert evidence.stands(T0 + 2 * DAY) is None


def test_an_old_sample_says_nothing_about_now() -> None:
    """Half a day after the last one it must be taken anew."""
    evidence = GravityEvidence()
    evidence.take(T0, 1.012)
    evidence.take(T0 + 2 * DAY, 1.012)
    assert evidence.stands(T0 + 2 * DAY + 11 * 3600) is not None
    assert evidence.stands(T0 + 2 * DAY + 13 * 3600) is None
    assert evidence.stands(T0 + DAY) is None


def test_two_instruments_are_not_compared() -> None:
    """A hydrometer and a refractometer that agree by chance prove nothing."""
    evidence = GravityEvidence()
    evidence.take(T0, 1.012, Instrument.HYDROMETER)
    evidence.take(T0 + 2 * DAY, 1.012, Instrument.REFRACTOMETER)
    assert evidence.stands(T0 + 2 * DAY) is None


def _float(hours: float, slope_per_day: float, seed: int) -> Samples:
    rng = np.random.default_rng(seed)
    time_s = T0 + np.arange(0, hours * 3600, 900.0)
    true = 1.012 + slope_per_day * (time_s - T0) / DAY
    return Samples.of(Kind.GRAVITY, time_s, true + 0.0005 * rng.standard_normal(len(time_s)))


@pytest.mark.parametrize("seed", range(5))
def test_a_noisy_float_is_put_together(seed: int) -> None:
    """Noise of 0.0005 hides neither standing still nor a fall of 0.0005 a day."""
    still, falling = GravityEvidence(), GravityEvidence()
    still.offer(_float(144, 0.0, seed))
    still.absorb(T0 + 3 * DAY)
    assert still.stands(T0 + 3 * DAY) is None  # a float has to stand for four days
    still.absorb(T0 + 5.5 * DAY)
    assert still.stands(T0 + 5.5 * DAY) is not None
    falling.offer(_float(144, -0.0005, seed))
    falling.absorb(T0 + 5.5 * DAY)
    assert falling.stands(T0 + 5.5 * DAY) is None


def test_blocks_change_nothing_and_state_stays_small() -> None:
    """Offered at once or row by row; a month of readings every ten seconds is a few kilobytes."""
    samples = _float(72, -0.0002, 7)
    whole, rows = GravityEvidence(), GravityEvidence()
    whole.offer(samples)
    for row in range(len(samples)):
        rows.offer(samples.cut(row, row + 1))
        if row % 5 == 0:
            rows.absorb(float(samples.time_s[row]))
            whole.absorb(float(samples.time_s[row]))
    assert whole.latest == rows.latest
    month = GravityEvidence()
    time_s = T0 + np.arange(0, 30 * DAY, 60.0)
    month.offer(Samples.of(Kind.GRAVITY, time_s, np.full(len(time_s), 1.01)))
    month.absorb(float(time_s[-1]))
    assert len(pickle.dumps(month)) < 20_000


def test_a_reading_that_stands_alone_in_six_hours_is_a_sample_by_hand() -> None:
    """Told apart from a floating sensor's stream by its pace: after 48 h it stands, where a stream needs 96."""
    time_s = T0 + np.array([0.0, 1.0, 2.0]) * DAY
    evidence = GravityEvidence()
    evidence.offer(Samples.of(Kind.GRAVITY, time_s, np.full(3, 1.01)))
    evidence.absorb(T0 + 2 * DAY + 7 * 3600)
    latest = evidence.latest
    assert latest is not None
    assert (latest.instrument, latest.time_s) == (Instrument.HYDROMETER, T0 + 2 * DAY)
    assert evidence.stands(T0 + 2 * DAY + 7 * 3600) is not None


@pytest.mark.parametrize(("fall", "stands"), [(0.0002, True), (0.0007, False)])
def test_a_floating_sensor_that_falls_slowly_does_not_stand(fall: float, stands: bool) -> None:
    """Within 0.001 over 96 h, but on a line: 0.0007 are 0.7 g/L CO2, and as much again may come."""
    evidence = GravityEvidence()
    rng = np.random.default_rng(4)
    for at_h in np.arange(0.0, 126.0, 0.25):
        evidence.take(
            T0 + at_h * 3600, 1.012 - fall * at_h / 96 + 0.0005 * rng.standard_normal(), Instrument.FLOAT
        )
    assert (evidence.stands(T0 + 126 * 3600) is not None) is stands


def test_a_float_that_was_away_for_days_stands_by_both_ends() -> None:
    """Back after 110 h at the same gravity: one median of its own in the last days makes no line, and no error."""
    evidence = GravityEvidence()
    for at_h in [*np.arange(0.0, 12.0, 0.25), *np.arange(122.0, 130.0, 0.25)]:
        evidence.take(T0 + at_h * 3600, 1.012, Instrument.FLOAT)
    found = evidence.stands(T0 + 130 * 3600)
    assert found is not None
    assert found.spread == 0
