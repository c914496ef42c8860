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
