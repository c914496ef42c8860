"""Heat of fermentation, counted from beer and air, against an integration of the heat balance that shares no code with it."""

import math
import pickle
from collections.abc import Iterable
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from tests.verdicts.generator import make_batch
from ullage.detectors.exotherm import HEAT_K_PER_G_L, Exotherm
from ullage.detectors.registry import compose
from ullage.detectors.samples import FloatArray, Kind, Samples
from ullage.detectors.watch import VesselWatch

T0 = 1_772_355_600.0
FRAME_S = 600.0
TOTAL = 38.5
"""CO2 of 12 °P wort that ends at 2.5 °P, g/L (Balling)."""


def test_the_warming_by_a_gram_is_that_of_the_published_heat() -> None:
    """560 kJ per kg of extract (R. Barth, MBAA forum 2023, citing Farber & Barth 2019), 0.4629 g of CO2 per g of extract
    (Balling), 84 kJ/K of a steel vessel with 20 L of beer (standard values)."""
    per_gram_kj = 0.560 / 0.4629
    assert pytest.approx(per_gram_kj / (84 / 20), rel=0.03) == HEAT_K_PER_G_L


def _course(
    lag_h: float, swing_k: float, *, hours: int = 240, total: float = TOTAL
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return minutes of beer and air, °C, and CO2 made, g/L: logistic from the 24th hour on, air swinging as a room does."""
    at_h = np.arange(hours * 60) / 60
    made = total / (1 + np.exp(-(at_h - 60) / 10))
    air = 17 + swing_k * (
        np.sin(2 * np.pi * at_h / 24) + np.sin(2 * np.pi * at_h / 7.3) + np.sin(2 * np.pi * at_h / 2.9)
    )
    beer = np.empty_like(air)
    beer[0] = 18.0
    heat_k = np.diff(made, prepend=made[0]) * HEAT_K_PER_G_L
    for row in range(1, len(beer)):
        beer[row] = beer[row - 1] + (air[row - 1] - beer[row - 1]) / (60 * lag_h) + heat_k[row]
    return beer, air, made


def _fed(
    exotherm: Exotherm, beer: FloatArray, air: FloatArray, began_s: float | None = T0 + 20 * 3600
) -> None:
    for start in range(0, len(beer), 10):
        _frame(exotherm, start, beer, air, began_s)


def _air(rows: NDArray[np.intp], air: FloatArray) -> Samples:
    return Samples.of(Kind.AIR, np.asarray(T0 + 60.0 * rows, np.float64), air[rows])


def _frame(exotherm: Exotherm, start: int, beer: FloatArray, air: FloatArray, began_s: float | None) -> None:
    rows = np.arange(start, start + 10)
    exotherm.offer(_air(rows, air))
    end_s = T0 + 60.0 * start + FRAME_S
    exotherm.absorb(end_s, float(np.median(beer[rows])), began_s if began_s and end_s >= began_s else None)


@pytest.mark.parametrize("lag_h", [4.2, 7.0, 12.5])
@pytest.mark.parametrize("offset_k", [-0.5, 0.0, 0.5])
def test_all_of_the_heat_is_found_whatever_the_thermometers_differ_by(lag_h: float, offset_k: float) -> None:
    """Lags of 20 L in a fridge (standard convection correlations); ±0.5 K is a digital thermometer's data sheet."""
    beer, air, _ = _course(lag_h, 0.8)
    exotherm = Exotherm(20.0)
    _fed(exotherm, np.round((beer + offset_k) * 16) / 16, np.round(air * 16) / 16)
    heat = exotherm.heat()
    assert heat is not None
    assert exotherm.lag_h == pytest.approx(lag_h, rel=0.2)
    assert heat.co2_g_per_l == pytest.approx(TOTAL, rel=0.25)
    assert heat.growth < 0.15


def test_while_much_is_made_little_of_the_heat_shows() -> None:
    """Counted above what comes now, heat falls short of the gas until hardly any comes: no early question."""
    beer, air, made = _course(7.0, 0.8)
    exotherm = Exotherm(20.0)
    for start in range(0, len(beer), 10):
        _frame(exotherm, start, beer, air, T0 + 20 * 3600)
        heat = exotherm.heat()
        if heat is not None and heat.co2_g_per_l >= 0.6 * TOTAL and heat.growth <= 0.15:
            assert made[start] >= 0.97 * TOTAL
            return
    pytest.fail("the heat never came")


def test_a_belt_that_keeps_the_beer_warm_shows_no_heat() -> None:
    """Beer held at one temperature in even air says nothing: the belt gives what yeast no longer does."""
    exotherm = Exotherm(20.0)
    rng = np.random.default_rng(3)
    count = 200 * 60
    beer: FloatArray = 19 + 0.03 * rng.standard_normal(count)
    air: FloatArray = 15 + 0.1 * rng.standard_normal(count)
    _fed(exotherm, beer, air)
    heat = exotherm.heat()
    assert heat is not None
    assert abs(heat.co2_g_per_l) < 0.2 * TOTAL
    assert heat.fallen_k < 0.1


@pytest.mark.parametrize("gap_h", [6, 20])
def test_a_long_silence_of_the_air_loses_the_count(gap_h: int) -> None:
    """Up to half a day it is bridged."""
    beer, air, _ = _course(7.0, 0.8)
    exotherm = Exotherm(20.0)
    for start in range(0, len(beer), 10):
        if not 70 * 60 <= start < (70 + gap_h) * 60:
            _frame(exotherm, start, beer, air, T0 + 20 * 3600)
    heat = exotherm.heat()
    assert (heat is None) == (gap_h > 12)
    if heat is not None:
        assert heat.co2_g_per_l == pytest.approx(TOTAL, rel=0.3)


@pytest.mark.parametrize("began_s", [math.nan, T0 - 40 * 3600])
def test_heat_whose_beginning_was_not_seen_is_not_counted(began_s: float) -> None:
    """What came before the air was watched can't be made up for."""
    beer, air, _ = _course(7.0, 0.8)
    exotherm = Exotherm(20.0)
    for start in range(0, len(beer), 10):
        rows = np.arange(start, start + 10)
        exotherm.offer(_air(rows, air))
        exotherm.absorb(T0 + 60.0 * start + FRAME_S, float(beer[start]), began_s)
    assert exotherm.heat() is None


def test_state_is_bounded() -> None:
    """A day of hours is kept, whatever the age."""
    sizes = []
    for hours in (100, 240):
        beer, air, _ = _course(7.0, 0.8, hours=hours)
        exotherm = Exotherm(20.0)
        _fed(exotherm, beer, air)
        sizes.append(len(pickle.dumps(exotherm)))
    assert sizes[1] < 1.1 * sizes[0]


def _watched(pieces: Iterable[Samples], watch: VesselWatch) -> VesselWatch:
    for piece in pieces:
        watch.update(piece)
    return watch


@settings(max_examples=5, deadline=None)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=8))
def test_how_the_stream_was_cut_changes_nothing(cuts: list[float]) -> None:
    """Air, beer and pressure in one block or in many."""
    batch = make_batch("air_measured", 1)
    samples = batch.samples.cut(0, len(batch.samples) // 3)
    edges = [0, *sorted(int(cut * len(samples)) for cut in cuts), len(samples)]
    pieces = [samples.cut(start, stop) for start, stop in pairwise(edges)]
    one = _watched([samples], VesselWatch(batch.vessel, compose({})))
    many = _watched(pieces, VesselWatch(batch.vessel, compose({})))
    assert many.record.exotherm.heat() == one.record.exotherm.heat()
    assert one.record.exotherm.heat() is not None
