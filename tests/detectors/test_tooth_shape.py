"""The bend of teeth gives the rate at which beer and gas come into balance, and straight teeth give none."""

import math

import numpy as np
import pytest

from tests.detectors.streams import VALVED
from tests.detectors.teeth_streams import IN_BEER, IN_GAS, teeth
from ullage.detectors.samples import Kind
from ullage.detectors.tooth_shape import ToothShape

HEAD = VALVED.head_space_l / VALVED.beer_volume_l * IN_GAS


def shape_of(exchange_per_h: float, seed: int = 1) -> ToothShape:
    """Return the shape after three days of teeth, minute by minute, split where pressure falls by half a drop."""
    batch = teeth(VALVED, days=3, rate_g_per_l_day=0.6, tail_h=400, exchange_per_h=exchange_per_h, seed=seed)
    rows = batch.samples.kind == Kind.PRESSURE
    shape, before = ToothShape(), math.inf
    for time_s, bar in zip(
        batch.samples.time_s[rows].tolist(), batch.samples.value[rows].tolist(), strict=True
    ):
        if bar < before - 0.06:
            shape.drop(0.0005)
        else:
            shape.point(time_s, bar)
        before = bar
    return shape


@pytest.mark.parametrize("beer_h", [6.0, 20.0])
def test_bent_teeth_tell_the_exchange(beer_h: float) -> None:
    """The exchange found is k·(beer's capacity / head space's), within a third: teeth are not infinitely short."""
    expected = IN_BEER / HEAD / beer_h
    found, error = shape_of(1 / beer_h).exchange_per_h
    assert found == pytest.approx(expected, rel=0.34)
    assert found > 5 * error


def test_straight_teeth_tell_nothing() -> None:
    """Beer in balance with its gas all the time: straight teeth, a rate of zero within its error, seed by seed."""
    for seed in range(5):
        found, error = shape_of(math.inf, seed).exchange_per_h
        assert abs(found) < 4 * error + 0.01


def tooth(
    shape: ToothShape, begin_s: float, hours: float, exchange_per_h: float, seed: int, noise_bar: float
) -> float:
    """Add a tooth of 0.1 bar, a minute a point, that bends by this rate of exchange; return when it ends, s."""
    at_h = np.arange(0.0, hours, 1 / 60)
    bars = 0.1 * np.expm1(-exchange_per_h * at_h) / math.expm1(-exchange_per_h * hours)
    bars += noise_bar * np.random.default_rng(seed).standard_normal(len(bars))
    for t, bar in zip(at_h.tolist(), bars.tolist(), strict=True):
        shape.point(begin_s + 3600 * t, bar)
    shape.drop(noise_bar)
    return begin_s + 3600 * hours


def test_one_long_bent_tooth_among_straight_ones_proves_nothing() -> None:
    """A leak or a turned valve bends one tooth, and a long one is known best: those beside it are straight,
    and noisy."""
    shape, at_s = ToothShape(), 0.0
    for seed in range(12):
        at_s = tooth(shape, at_s, 0.8, 1e-6, seed, 0.015)
    at_s = tooth(shape, at_s, 5.0, 1.0, 12, 0.001)
    for seed in range(13, 18):
        at_s = tooth(shape, at_s, 0.8, 1e-6, seed, 0.015)
    found, error = shape.exchange_per_h
    assert found - 3 * error <= 0


def test_teeth_that_all_bend_alike_prove_it() -> None:
    """Eighteen teeth that grow longer, all of the same exchange."""
    shape, at_s = ToothShape(), 0.0
    for seed in range(18):
        at_s = tooth(shape, at_s, 0.8 + 0.1 * seed, 0.6, seed, 0.002)
    found, error = shape.exchange_per_h
    assert found - 3 * error > 0.3


@pytest.mark.parametrize("tail_h", [20.0, 60.0])
def test_fading_shows_from_tooth_to_tooth(tail_h: float) -> None:
    """Slopes of straight teeth that fall as exp(−t/τ): 1/τ, and none where they do not fall."""
    shape, steady, at_s = ToothShape(), ToothShape(), 0.0
    while at_s < 40 * 3600:
        hours = 0.7 * math.exp(at_s / 3600 / tail_h)
        tooth(steady, at_s, 2.0, 1e-6, int(at_s), 0.0005)
        at_s = tooth(shape, at_s, hours, 1e-6, int(at_s), 0.0005)
    assert shape.fading_per_h == pytest.approx(1 / tail_h, rel=0.15)
    assert steady.fading_per_h == pytest.approx(0.0, abs=0.003)


def test_the_first_rise_is_no_tooth() -> None:
    """What came before the first drop began at no drop: it counts for nothing, however well it is known."""
    shape = ToothShape()
    for minute in range(600):
        shape.point(60.0 * minute, 1.0 - math.exp(-minute / 100))
    shape.drop(0.0005)
    assert shape.teeth == 0
    assert shape.exchange_per_h == (0.0, math.inf)


def test_state_does_not_grow() -> None:
    """Sums only: a tooth of a week holds no more than one of an hour."""
    shape = ToothShape()
    for minute, bar in enumerate(np.linspace(0, 1, 10_000)):
        shape.point(60.0 * minute, float(bar))
    assert len(shape._sums) == 9


def test_the_beginning_of_a_drop_is_no_bend() -> None:
    """The minute in which the valve opens is seen half way down, after a tooth that is straight: it tells nothing."""
    shape = ToothShape()
    for number in range(20):
        begin_s = number * 2400.0
        noise = 0.0003 * np.random.default_rng(number).standard_normal(40)
        bars = np.linspace(0.0, 0.02, 40) + noise
        bars[-1] -= 0.003
        for minute, bar in enumerate(bars.tolist()):
            shape.point(begin_s + 60 * minute, bar)
        shape.drop(0.0003)
    found, error = shape.exchange_per_h
    assert abs(found) < 2 * error
