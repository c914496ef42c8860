"""The condenser against a plain resampling by pandas, by both of its paths."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.detectors.streams import START_S, merged, pressure, temperature
from ullage.detectors.medians import median
from ullage.detectors.minutes import FEW, Condenser, Minutes
from ullage.detectors.samples import Kind, Samples


def wild(seed: int, rows: int, interval_s: float, late: float) -> Samples:
    """Return samples of all quantities at odd times, some of them late."""
    rng = np.random.default_rng(seed)
    time_s = START_S + np.cumsum(rng.exponential(interval_s, rows)).round(2)
    time_s -= (rng.random(rows) < late) * rng.uniform(0, 200, rows)
    kind = rng.choice(np.array([0, 1, 2], np.uint8), rows, p=[0.45, 0.5, 0.05])
    return Samples(time_s=time_s, kind=kind, value=rng.normal(1, 1, rows).round(3))


def by_pandas(samples: Samples) -> pd.DataFrame:
    """Return closed minutes: medians by pandas of all samples that came before their minute had closed."""
    table = pd.DataFrame({"minute": samples.time_s // 60, "kind": samples.kind, "value": samples.value})
    table = table[table.minute == table.minute.cummax()]
    table = table[(table.minute < table.minute.max()) & (table.kind != Kind.GRAVITY)]
    grouped = table.groupby(["minute", "kind"]).value
    medians = grouped.median().unstack().reindex(columns=[Kind.TEMPERATURE, Kind.PRESSURE])
    counts = grouped.count().unstack().reindex(columns=[Kind.PRESSURE]).fillna(0)
    return pd.DataFrame(
        {
            "end_s": (medians.index.to_numpy() + 1) * 60,
            "pressure_bar": medians[Kind.PRESSURE].to_numpy(float),
            "temperature_c": medians[Kind.TEMPERATURE].to_numpy(float),
            "count": counts[Kind.PRESSURE].to_numpy(int),
        }
    )


def condensed(samples: Samples, size: int) -> tuple[pd.DataFrame, int]:
    """Return what the condenser makes of blocks of one size, and how many samples came late."""
    condenser = Condenser()
    parts: list[Minutes] = [
        condenser.update(samples.cut(at, at + size)) for at in range(0, len(samples), size)
    ]
    columns = ("end_s", "pressure_bar", "temperature_c", "count")
    return (
        pd.DataFrame({name: np.concatenate([getattr(part, name) for part in parts]) for name in columns}),
        condenser.late,
    )


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    rows=st.integers(1, 600),
    interval_s=st.sampled_from([1.0, 7.0, 40.0, 200.0]),
    late=st.sampled_from([0.0, 0.1]),
    size=st.sampled_from([1, 7, FEW, FEW + 1, 100, 1000]),
)
def test_every_path_gives_the_medians_of_pandas(
    seed: int, rows: int, interval_s: float, late: float, size: int
) -> None:
    """Blocks of any size condense to the same minutes, and those are the medians that pandas finds."""
    samples = wild(seed, rows, interval_s, late)
    got, late_rows = condensed(samples, size)
    pd.testing.assert_frame_equal(got, by_pandas(samples), check_dtype=False, rtol=1e-14)
    minute = samples.time_s // 60
    assert late_rows == int((minute < np.maximum.accumulate(minute)).sum())


@pytest.mark.parametrize("rows", [1, 2, 3, 4, 60])
def test_even_sampling(rows: int) -> None:
    """One, two, three, four and sixty samples a minute, two quantities, in one block."""
    time_s = START_S + np.arange(0, 3600, 60 / rows)
    rng = np.random.default_rng(rows)
    samples = merged(
        pressure(time_s, rng.normal(1, 0.1, len(time_s))),
        temperature(time_s + 0.1, rng.normal(19, 1, len(time_s))),
    )
    got, _ = condensed(samples, 10_000)
    pd.testing.assert_frame_equal(got, by_pandas(samples), check_dtype=False, rtol=1e-14)
    assert got["count"].tolist() == [rows] * 59


def test_a_tick_closes_the_minute_and_only_then() -> None:
    """A minute closes as soon as time has passed it, and what comes for it afterwards is late."""
    condenser = Condenser()
    assert not len(condenser.tick(START_S))
    condenser.update(pressure([START_S + 1, START_S + 2], [1.0, 3.0]))
    assert not len(condenser.tick(START_S + 59.9))
    closed = condenser.tick(START_S + 60)
    assert (closed.end_s.tolist(), closed.pressure_bar.tolist()) == ([START_S + 60], [2.0])
    assert not len(condenser.update(pressure([START_S + 30], [9.0])))
    assert condenser.late == 1
    condenser.update(pressure([START_S + 61], [1.5]))
    assert condenser.tick(START_S + 120).pressure_bar.tolist() == [1.5]


@given(st.lists(st.floats(-100, 100), min_size=1, max_size=30))
def test_short_median_is_the_median(values: list[float]) -> None:
    """The plain median agrees with numpy's."""
    assert median(values) == pytest.approx(float(np.median(values)))


def test_median_of_nothing_is_no_number() -> None:
    """Nothing has no median."""
    assert np.isnan(median([]))
