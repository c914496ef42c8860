"""Readings in and out, over SQLite and PostgreSQL."""

import threading
import tracemalloc
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.daemon.store.folded import fold_now
from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.store import readings as tables
from ullage.daemon.store.columns import Columns
from ullage.daemon.store.store import Store
from ullage.detectors.samples import Kind

T0 = 1_760_000_000.0
Row = tuple[float, int, float]

_reading = st.builds(
    Reading,
    vessel=st.sampled_from(["north", "south"]),
    quantity=st.sampled_from([Quantity.TEMPERATURE, Quantity.PRESSURE, Quantity.GRAVITY]),
    # some hours about the edge of a window, with repeats and disorder
    time_s=st.integers(0, 40_000).map(lambda number: T0 + number * 0.75),
    value=st.floats(-50, 150),
)


def _rows(columns: Columns) -> list[Row]:
    return list(zip(columns.time_s.tolist(), columns.kind.tolist(), columns.value.tolist(), strict=True))


def _expected(readings: list[Reading], vessel: str) -> list[Row]:
    """Return what must come back, worked out the slow way: the first value of a channel and millisecond."""
    kinds = {Quantity.TEMPERATURE: 0, Quantity.PRESSURE: 1, Quantity.GRAVITY: 2}
    kept: dict[tuple[float, int], float] = {}
    for reading in readings:
        if reading.vessel == vessel:
            kept.setdefault((round(reading.time_s * 1000) / 1000, kinds[reading.quantity]), reading.value)
    return [(time_s, kind, kept[time_s, kind]) for time_s, kind in sorted(kept)]


def _second(number: int, value: float = 20.0, vessel: str = "north") -> Reading:
    return Reading(vessel, Quantity.TEMPERATURE, T0 + number, value)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.one_of(_reading, st.sampled_from(["flush", "fold", "reopen"])), max_size=120))
def test_however_the_stream_is_cut_it_reads_back_the_same(
    tmp_path_factory: pytest.TempPathFactory, steps: list[Reading | str]
) -> None:
    """Commits, folding and restarts anywhere in the stream change nothing of what is read."""
    url = f"sqlite:///{tmp_path_factory.mktemp('cut') / 'ullage.db'}"
    store = Store.open(url)
    for step in steps:
        if isinstance(step, Reading):
            store.append([step])
        elif step == "reopen":
            store.close()
            store = Store.open(url)
        else:
            store.flush()
            if step == "fold":
                fold_now(store)
    stream = [step for step in steps if isinstance(step, Reading)]
    for vessel in ("north", "south"):
        assert _rows(store.samples(vessel)) == _expected(stream, vessel)
    store.close()
    with Store.open(url, read_only=True) as again:
        for vessel in ("north", "south"):
            assert _rows(again.samples(vessel)) == _expected(stream, vessel)


def test_readings_survive_on_any_database(url: str) -> None:
    """What was flushed is there after a restart, in order, and counts as written once."""
    with Store.open(url) as store:
        store.append([_second(2, 20.25), _second(1, 20.5)])
        store.append([Reading("north", Quantity.PRESSURE, T0 + 1, 1.503)])
        assert store.pending == 3
        assert store.flush() == 3
        assert (store.pending, store.flush()) == (0, 0)
    with Store.open(url) as store:
        assert _rows(store.samples("north")) == [(T0 + 1, 0, 20.5), (T0 + 1, 1, 1.503), (T0 + 2, 0, 20.25)]
        assert store.vessels() == ("north",)


def test_what_is_pending_is_seen(store: Store) -> None:
    """Readings not yet committed are in samples, vessels and latest."""
    store.append([_second(0)])
    assert len(store.samples("north")) == 1
    assert store.vessels() == ("north",)
    assert store.latest("north")[Quantity.TEMPERATURE].time_s == T0


def test_a_repeat_after_folding_is_read_once_and_the_first_value_stays(store: Store) -> None:
    """A broker that delivers again, even days later and with another value, changes nothing."""
    for number in range(tables.FOLD_ROWS + 5):
        store.append([_second(number, 20.0 + number / 100)])
        store.flush()
    before = _rows(store.samples("north"))
    with store.reading() as connection:
        assert not tables.fold_is_due(connection)
    store.append([_second(number, 99.0) for number in range(tables.FOLD_ROWS + 5)])
    assert _rows(store.samples("north")) == before
    store.flush()
    assert _rows(store.samples("north")) == before
    fold_now(store)
    assert _rows(store.samples("north")) == before


def test_late_readings_find_their_place(store: Store) -> None:
    """Readings older than what is folded are merged into the blocks of their time."""
    day = [_second(number * 600) for number in range(144)]
    for part in (day[72:], day[:72:2], day[1:72:2]):
        store.append(part)
        store.flush()
        fold_now(store)
    assert _rows(store.samples("north")) == _expected(day, "north")


def test_a_span_holds_its_start_and_not_its_end(store: Store) -> None:
    """since ≤ time < until, also across windows, days and gaps of years."""
    times = [-3.0, 0.0, 14_399.0, 14_400.0, 86_400.0, 4e8]
    store.append([_second(int(number)) for number in times])
    store.flush()
    fold_now(store)
    for since in times:
        for until in times:
            found = store.samples("north", T0 + since, T0 + until).time_s - T0
            assert found.tolist() == [number for number in times if since <= number < until]
    assert (store.samples("north").time_s - T0).tolist() == times


def test_latest_is_the_newest_of_each_quantity(store: Store) -> None:
    """The newest by its own time, wherever it is kept; an unknown vessel has none."""
    store.append([_second(5, 21.0), Reading("north", Quantity.GRAVITY, T0, 1.012)])
    store.flush()
    fold_now(store)
    store.append([_second(3, 22.0)])
    assert store.latest("north") == {
        Quantity.TEMPERATURE: _second(5, 21.0),
        Quantity.GRAVITY: Reading("north", Quantity.GRAVITY, T0, 1.012),
    }
    assert store.latest("nowhere") == {}
    assert len(store.samples("nowhere")) == 0


def test_what_is_no_reading_is_refused_whole(file: Path) -> None:
    """A slip by the caller takes nothing along and leaves nothing behind."""
    nan, late = float("nan"), float("inf")
    with Store.open(f"sqlite:///{file}") as store:
        for bad in (
            _second(1, nan),
            Reading("n", Quantity.PRESSURE, late, 1.0),
            Reading("n", Quantity.JOURNAL, T0, 0.0),
        ):
            with pytest.raises(ValueError, match=r"reading|time|journal"):
                store.append([_second(0), bad])
        assert store.pending == 0


def test_threads_append_while_others_flush_and_read(url: str) -> None:
    """Nothing is lost or doubled between threads, and a reader never sees a gap."""
    count, wrong = 400, list[str]()
    done = threading.Event()
    with Store.open(url) as store:

        def look() -> None:
            last = 0
            while not done.is_set():
                found = len(store.samples("north"))
                if found < last:
                    wrong.append(f"{found} after {last}")
                last = found

        def fill(vessel: str) -> None:
            for number in range(count):
                store.append([_second(number, vessel=vessel)])

        def write() -> None:
            while not done.is_set():
                store.flush()

        threads = [threading.Thread(target=fill, args=(name,)) for name in ("north", "south")]
        others = [threading.Thread(target=look), threading.Thread(target=write)]
        for thread in threads + others:
            thread.start()
        for thread in threads:
            thread.join()
        done.set()
        for thread in others:
            thread.join()
        store.flush()
        assert wrong == []
        assert len(store.samples("north")) == len(store.samples("south")) == count


def test_a_memory_database_serves_all_threads() -> None:
    """The database without a file is one and the same in every thread."""
    with Store.open("sqlite://") as store:
        store.append([_second(0)])
        worker = threading.Thread(target=store.flush)
        worker.start()
        worker.join()
        assert len(store.samples("north")) == 1


def test_reading_a_long_span_needs_no_more_memory_than_a_short_one(file: Path) -> None:
    """Chunks hold a day at most, so four times the span takes the same peak."""
    with Store.open(f"sqlite:///{file}") as store:
        for day in range(20):
            store.append([_second(day * 86_400 + number * 10) for number in range(8640)])
            store.flush()
        fold_now(store)
        peaks = []
        for days in (5, 20):
            tracemalloc.start()
            chunks = [len(chunk) for chunk in store.iter_samples("north", T0, T0 + days * 86_400)]
            peaks.append(tracemalloc.get_traced_memory()[1])
            tracemalloc.stop()
            assert sum(chunks) == days * 8640
            assert max(chunks) <= 8640
        assert peaks[1] < 1.3 * peaks[0]


def test_a_damaged_block_hides_no_other(file: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Readings of other windows are still there, and the log says that some are not."""
    with Store.open(f"sqlite:///{file}") as store:
        store.append([_second(number * 14_400) for number in range(5)])
        store.flush()
        fold_now(store)
        with store.transaction() as connection:
            first = connection.exec_driver_sql("SELECT min(start_ms) FROM reading_block").scalar_one()
            connection.exec_driver_sql(
                "UPDATE reading_block SET payload = x'0102' WHERE start_ms = ?", (first,)
            )
        assert len(store.samples("north")) == 4
        assert "damaged" in caplog.text


def test_columns_are_what_detectors_take(store: Store) -> None:
    """Kinds are the detectors' codes and the columns have their types."""
    store.append([_second(0)])
    found = store.samples("north")
    assert [column.dtype.name for column in (found.time_s, found.kind, found.value)] == [
        "float64",
        "uint8",
        "float64",
    ]
    assert found.kind[0] == Kind.TEMPERATURE
