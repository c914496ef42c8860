"""Readings for charts: thinned, and still the same shape."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.chart.batch_spans import first_reading_s
from ullage.daemon.chart.history import DAY_S, FINE_S, Columns, History, minutes
from ullage.daemon.chart.thin import thin
from ullage.daemon.clock import ManualClock
from ullage.daemon.store.store import Store
from ullage.detectors.samples import Kind

START_S = 20_000 * DAY_S


@given(
    st.lists(st.floats(-5, 5).map(lambda v: round(v, 3)), min_size=1, max_size=400),
    st.sampled_from([1.0, 7.0, 90.0]),
)
def test_minutes_keep_their_extremes(values: list[float], every_s: float) -> None:
    """Of each minute lowest and highest stay, in order, and nothing is invented."""
    time_s = START_S + np.arange(float(len(values))) * every_s
    whole = Columns(time_s, np.array(values))
    kept = minutes(whole)
    assert (np.diff(kept.time_s) > 0).all()
    pairs = set(zip(time_s.tolist(), values, strict=True))
    assert set(zip(kept.time_s.tolist(), kept.value.tolist(), strict=True)) <= pairs
    for minute in set(np.floor(time_s / 60).tolist()):
        old, new = (
            whole.value[np.floor(time_s / 60) == minute],
            kept.value[np.floor(kept.time_s / 60) == minute],
        )
        assert (old.min(), old.max()) == (new.min(), new.max())


@pytest.fixture(name="store", scope="module")
def _store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    rng = np.random.default_rng(3)
    store = Store.open(f"sqlite:///{tmp_path_factory.mktemp('history') / 'h.db'}")
    for day in range(6):
        at = START_S + day * DAY_S + np.arange(0.0, DAY_S, 10.0)
        if day == 3:
            at = at[(at < START_S + 3.2 * DAY_S) | (at > START_S + 3.4 * DAY_S)]
        bar = np.round(1.0 + rng.normal(0, 0.01, len(at)), 4)
        if day == 2:
            bar[4000] = 2.4
        store.append(
            [Reading("n", Quantity.PRESSURE, a, b) for a, b in zip(at.tolist(), bar.tolist(), strict=True)]
        )
        store.flush()
    return store


def history(store: Store, days: float) -> History:
    """Return the history as it is asked so many days after the start."""
    return History(store, ManualClock(wall_s=START_S + days * DAY_S))


@pytest.mark.parametrize("hours", [6, 11, 48, 144])
def test_the_drawing_is_the_same(store: Store, hours: float) -> None:
    """From minutes a chart of 700 columns gets the very extremes that it would get from every reading."""
    end_s = START_S + 6 * DAY_S
    start_s = end_s - hours * 3600
    curve = history(store, 6).curves("n", start_s, end_s)[Kind.PRESSURE]
    raw = store.samples("n", start_s, end_s)
    columns = 700 if hours > 24 else 100
    drawn = thin(curve.time_s, curve.value, (start_s, end_s), columns, curve.gap_s)
    true = thin(raw.time_s, raw.value, (start_s, end_s), columns, curve.gap_s)
    assert len(drawn) == len(true)
    inside = [part.value[(part.time_s >= start_s) & (part.time_s < end_s)] for part in drawn]
    assert min(p.min() for p in inside) == min(p.value.min() for p in true)
    assert max(p.max() for p in inside) == max(p.value.max() for p in true)


def test_a_spike_survives_a_month(store: Store) -> None:
    """One reading of 2.4 bar is there in the coarsest view as well."""
    for days in (30.0, FINE_S / DAY_S + 10):
        curve = history(store, 6).curves("n", START_S + (6 - days) * DAY_S, START_S + 6 * DAY_S)[
            Kind.PRESSURE
        ]
        assert curve.value.max() == pytest.approx(2.4)


def test_days_that_are_over_are_remembered(store: Store) -> None:
    """A second look reads only what may still change; late readings of the last days are seen."""
    one = history(store, 6)
    one.curves("n", START_S, START_S + 6 * DAY_S)
    assert {day - START_S / DAY_S for _, day in one._days} == {0, 1, 2}


def test_late_readings_are_seen(tmp_path: Path) -> None:
    """What a broker held back for hours shows as soon as it is there."""
    with Store.open(f"sqlite:///{tmp_path / 'l.db'}") as store:
        one = History(store, ManualClock(wall_s=START_S + DAY_S))
        store.append([Reading("n", Quantity.PRESSURE, START_S + 100.0 * n, 1.0) for n in range(800)])
        assert one.curves("n", START_S, START_S + DAY_S)[Kind.PRESSURE].value.max() == 1.0
        store.append([Reading("n", Quantity.PRESSURE, START_S + 4010.0, 1.7)])
        assert one.curves("n", START_S, START_S + DAY_S)[Kind.PRESSURE].value.max() == 1.7


def test_the_air_is_there_at_every_span(tmp_path: Path) -> None:
    """Hours, days and months, from single readings, minutes and what is kept for ever."""
    with Store.open(f"sqlite:///{tmp_path / 'a.db'}") as store:
        at = START_S + np.arange(0.0, 2 * DAY_S, 300.0)
        store.append(
            [Reading("n", Quantity.AIR_TEMPERATURE, one, 4.0 + one % 600 / 300) for one in at.tolist()]
        )
        store.flush()
        for span_s in (6 * 3600.0, 2 * DAY_S, FINE_S + DAY_S):
            air = history(store, 2).curves("n", START_S + 2 * DAY_S - span_s, START_S + 2 * DAY_S)[Kind.AIR]
            assert (air.value.min(), air.value.max()) == (4.0, 5.0)


def test_an_empty_store(tmp_path: Path) -> None:
    """Nothing recorded is nothing shown, at any span."""
    with Store.open(f"sqlite:///{tmp_path / 'e.db'}") as store:
        one = History(store, ManualClock(wall_s=START_S))
        for span_s in (3600.0, 5 * DAY_S, 100 * DAY_S):
            assert len(one.curves("n", START_S - span_s, START_S)[Kind.TEMPERATURE].time_s) == 0
        assert first_reading_s(store, "n", 0.0) is None
