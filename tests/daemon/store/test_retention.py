"""Old readings give way to a coarser history."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.store.coarse import CoarseColumns
from ullage.daemon.store.store import Store

DAY_S = 86_400
T0 = 1_760_000_000.0
SPAN = (T0 - DAY_S, T0 + 30 * DAY_S)


def _days(count: int, step_s: int = 30) -> tuple[list[Reading], "pd.Series[float]"]:
    rng = np.random.default_rng(3)
    time_s = T0 + np.arange(0, count * DAY_S, step_s)
    value = np.round(20 + rng.normal(0, 1, len(time_s)), 3)
    readings = [
        Reading("north", Quantity.TEMPERATURE, t, v)
        for t, v in zip(time_s.tolist(), value.tolist(), strict=True)
    ]
    return readings, pd.Series(value, pd.to_datetime(time_s, unit="s"))


def _same(found: CoarseColumns, series: "pd.Series[float]") -> None:
    """Compare with what pandas makes of the same readings."""
    table = series.resample("10min").agg(["min", "mean", "max", "count"])
    assert found.start_s.tolist() == (table.index.astype("datetime64[s]").astype(np.int64)).tolist()
    assert found.minimum.tolist() == table["min"].tolist()
    assert found.maximum.tolist() == table["max"].tolist()
    assert found.count.tolist() == table["count"].tolist()
    np.testing.assert_allclose(found.mean, table["mean"], rtol=1e-12)


def test_the_coarse_history_is_the_same_before_and_after_the_readings_are_dropped(url: str) -> None:
    """10-minute bins match pandas' resampling while readings are there, half there and gone."""
    readings, series = _days(11)
    with Store.open(url) as store:
        store.append(readings)
        store.flush()
        _same(store.coarse("north", Quantity.TEMPERATURE, *SPAN), series)
        done = store.retain(now_s=T0 + 11 * DAY_S, keep_days=2)
        assert done.readings_dropped > 0
        assert done.readings_dropped + len(store.samples("north")) == len(readings)
        assert done.bins_written * 20 == pytest.approx(done.readings_dropped, abs=20)
        _same(store.coarse("north", Quantity.TEMPERATURE, *SPAN), series)
        store.retain(now_s=T0 + 40 * DAY_S, keep_days=2)
        assert len(store.samples("north")) == 0
        _same(store.coarse("north", Quantity.TEMPERATURE, *SPAN), series)


def test_nothing_younger_than_asked_is_dropped(store: Store, url: str) -> None:
    """Every reading younger than keep_days stays, and little else: four hours in a file, a week on a server."""
    readings, _ = _days(10, step_s=60)
    store.append(readings)
    store.retain(now_s=T0 + 10 * DAY_S, keep_days=1)  # pending readings are nobody's past
    assert len(store.samples("north")) == len(readings)
    store.flush()
    store.retain(now_s=T0 + 10 * DAY_S, keep_days=1)
    oldest = float(store.samples("north").time_s[0])
    more_s = 4 * 3600 if url.startswith("sqlite") else 7 * DAY_S
    assert T0 + 9 * DAY_S - more_s <= oldest <= T0 + 9 * DAY_S
    assert store.retain(now_s=T0 + 10 * DAY_S, keep_days=1).readings_dropped == 0


def test_a_reading_that_comes_after_its_time_was_dropped_changes_no_bin(store: Store) -> None:
    """What is delivered again long afterwards is not counted twice."""
    readings, series = _days(1)
    store.append(readings)
    store.flush()
    store.retain(now_s=T0 + 40 * DAY_S, keep_days=1)
    store.append(readings[:100])
    store.flush()
    store.retain(now_s=T0 + 40 * DAY_S, keep_days=1)
    _same(store.coarse("north", Quantity.TEMPERATURE, *SPAN), series)


def test_the_file_shrinks_when_much_was_dropped(file: Path) -> None:
    """Room is given back to the disk, and the file is whole afterwards."""
    with Store.open(f"sqlite:///{file}") as store:
        rng = np.random.default_rng(5)
        for day in range(30):
            value = rng.normal(0, 1, DAY_S // 5)
            store.append(
                [
                    Reading("north", Quantity.PRESSURE, T0 + day * DAY_S + 5 * i, v)
                    for i, v in enumerate(value.tolist())
                ]
            )
            store.flush()
    with Store.open(f"sqlite:///{file}") as store:
        store.retain(now_s=T0 + 30 * DAY_S, keep_days=100)
    full = file.stat().st_size
    with Store.open(f"sqlite:///{file}") as store:
        store.retain(now_s=T0 + 30 * DAY_S, keep_days=1)
        assert store.check_integrity() is None
    assert file.stat().st_size < full / 3


def test_the_journal_stays(store: Store) -> None:
    """Entries outlive the readings."""
    store.add_entry("north", T0, "pitched", made_s=T0)
    store.retain(now_s=T0 + 4000 * DAY_S, keep_days=1)
    assert len(store.entries("north")) == 1
