"""Readings on PostgreSQL: partitions by time, made ahead, dropped whole, and rows of its own for every vessel.

What holds whoever makes the partitions is tried with the extension TimescaleDB, too; what goes for that alone is in
test_hypertable.py.
"""

import itertools
import threading
from collections.abc import Iterator

import numpy as np
import pytest
import sqlalchemy as sa
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.daemon.store.folded import fold_now
from tests.servers.postgres import PostgresServer
from tests.servers.timescale import TimescaleServer
from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.store import hypertable, migrate, partitioning, partitions, schema
from ullage.daemon.store import readings as tables
from ullage.daemon.store.codec import pack
from ullage.daemon.store.columns import Column
from ullage.daemon.store.engine import WRITE, make_engine, parse_url
from ullage.daemon.store.folding import EACH_ROWS
from ullage.daemon.store.parts import SPAN_MS
from ullage.daemon.store.store import Store
from ullage.detectors.samples import Kind

WEEK_S = 7 * 86_400
T0 = 2900.0 * WEEK_S
"""A Thursday of July 2025 at midnight UTC: a week begins."""


either = pytest.mark.parametrize("url", ["partitions", "chunks"], indirect=True)


@pytest.fixture(name="url")
def _url(request: pytest.FixtureRequest) -> str:
    if getattr(request, "param", "partitions") == "partitions":
        postgres: PostgresServer = request.getfixturevalue("postgres")
        return postgres.new_database()
    timescale: TimescaleServer = request.getfixturevalue("timescale")
    return timescale.new_database(extension=True)


@pytest.fixture(name="store")
def _store(url: str) -> Iterator[Store]:
    with Store.open(url) as store:
        yield store


def _reading(seconds: float, value: float = 1.0, vessel: str = "north") -> Reading:
    return Reading(vessel, Quantity.PRESSURE, T0 + seconds, value)


def _weeks(store: Store) -> dict[int, str]:
    """Return the table of each week that has one."""
    with store.reading() as connection:
        parting = partitioning.of(connection)
        assert parting is (partitions if hypertable.version(connection) is None else hypertable)
        return {part.start_ms // SPAN_MS: part.name for part in parting.standing(connection)}


def _plan(store: Store, query: str) -> str:
    with store.reading() as connection:
        return "\n".join(connection.scalars(sa.text(f"EXPLAIN {query}")))


@either
def test_each_week_has_a_table_of_its_own(store: Store) -> None:
    """Folding makes the partitions that readings need, odd times included, and a query looks only where it must."""
    times_s = [-1.0, 0.0, WEEK_S - 0.001, WEEK_S, -T0 - 1.0, 40 * 365 * 86_400.0]
    store.append([_reading(seconds) for seconds in times_s])
    store.flush()
    fold_now(store)
    weeks = sorted({int((T0 + seconds) // WEEK_S) for seconds in times_s})
    assert list(_weeks(store)) == weeks
    assert (store.samples("north").time_s - T0).tolist() == pytest.approx(sorted(times_s), abs=1e-3)
    start_ms = int(T0 * 1000)
    plan = _plan(
        store, f"SELECT * FROM reading_block WHERE start_ms >= {start_ms} AND start_ms < {start_ms + 1}"
    )
    looked_at = {week for week, name in _weeks(store).items() if name.split(".")[-1] in plan}
    assert looked_at == {2900}


@either
def test_old_weeks_go_whole(store: Store) -> None:
    """Retention drops every partition that is wholly too old, and keeps its bins."""
    store.append([_reading(seconds) for seconds in range(0, 5 * WEEK_S, 600)])
    store.flush()
    fold_now(store)
    before = store.coarse("north", Quantity.PRESSURE, T0, T0 + 5 * WEEK_S)
    done = store.retain(now_s=T0 + 5 * WEEK_S, keep_days=15)
    assert done.readings_dropped == 2 * WEEK_S // 600
    # 15 of 35 days are kept: the third week is still needed in part
    assert list(_weeks(store))[:3] == [2902, 2903, 2904]
    assert float(store.samples("north").time_s[0]) == T0 + 2 * WEEK_S
    after = store.coarse("north", Quantity.PRESSURE, T0, T0 + 5 * WEEK_S)
    assert after.start_s.tolist() == before.start_s.tolist()
    assert after.mean.tolist() == before.mean.tolist()


def test_weeks_to_come_stand_ready(store: Store) -> None:
    """Retention makes this week's partition and those of the next two."""
    store.retain(now_s=T0 + 5 * WEEK_S, keep_days=15)
    assert _weeks(store) == {number: f"reading_block_{number}" for number in (2905, 2906, 2907)}


@either
def test_retention_that_is_broken_off_is_made_good(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """A partition that could not be dropped goes the next night, and its bins are not written twice."""
    store.append([_reading(seconds) for seconds in range(0, WEEK_S, 600)])
    store.flush()

    def refuse(*_: object) -> None:
        raise RuntimeError("power cut")

    with store.reading() as connection:
        parting = partitioning.of(connection)
    with monkeypatch.context() as broken:
        broken.setattr(parting, "drop", refuse)
        with pytest.raises(RuntimeError, match="power cut"):
            store.retain(now_s=T0 + 9 * WEEK_S, keep_days=1)
    assert len(store.samples("north")) == WEEK_S // 600
    done = store.retain(now_s=T0 + 9 * WEEK_S, keep_days=1)
    assert (done.readings_dropped, done.bins_written) == (WEEK_S // 600, 0)
    assert len(store.samples("north")) == 0
    assert len(store.coarse("north", Quantity.PRESSURE, T0, T0 + WEEK_S)) == WEEK_S // 600


@either
def test_readings_that_come_too_late_reopen_their_week_and_change_no_bin(store: Store) -> None:
    """A backlog older than what is kept is stored, goes with the next round, and counts nowhere twice."""
    store.append([_reading(seconds, 1.0) for seconds in range(0, 6000, 600)])
    store.flush()
    store.retain(now_s=T0 + 9 * WEEK_S, keep_days=1)
    store.append([_reading(seconds + 1, 9.0) for seconds in range(0, 6000, 600)])
    store.flush()
    assert store.retain(now_s=T0 + 9 * WEEK_S, keep_days=1).readings_dropped == 10
    assert store.coarse("north", Quantity.PRESSURE, T0, T0 + 6000).maximum.tolist() == [1.0] * 10


def test_daemons_that_make_the_same_partition_at_once_do_not_collide(url: str) -> None:
    """Four stores fold into the same new weeks at the same moment; everything is there afterwards."""
    gate = threading.Barrier(4)
    errors: list[Exception] = []

    def write(number: int) -> None:
        try:
            with Store.open(url) as store:
                for week in range(6):
                    store.append([_reading(week * WEEK_S + i, vessel=f"v{number}") for i in range(10)])
                    store.flush()
                gate.wait(30)
                fold_now(store)
        except Exception as error:  # noqa: BLE001 - told by the test's own thread
            errors.append(error)

    threads = [threading.Thread(target=write, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert not errors
    with Store.open(url) as store:
        assert all(len(store.samples(f"v{number}")) == 60 for number in range(4))
        assert len(_weeks(store)) == 6


def test_a_vessel_is_folded_when_enough_of_its_commits_have_gathered(store: Store) -> None:
    """Vessels are folded one by one, and one that has few commits yet is left alone."""
    for number in range(EACH_ROWS + EACH_ROWS // 4 + 2):
        store.append([_reading(number)])
        if number % 10 == 0:
            store.append([_reading(number, vessel="south")])
        store.flush()
    with store.reading() as connection:
        rows = tables.loose_rows(connection)
        ids = tables.vessel_ids(connection)
    assert rows.get(ids["north"], 0) < EACH_ROWS // 4
    assert rows[ids["south"]] == len(range(0, EACH_ROWS + EACH_ROWS // 4 + 2, 10))
    assert len(store.samples("north")) == EACH_ROWS + EACH_ROWS // 4 + 2


def test_one_vessel_is_read_without_the_rows_of_the_others(store: Store) -> None:
    """The rows that are not folded yet are found by an index, however many vessels there are."""
    for number in range(20):
        store.append([_reading(number, vessel=f"v{vessel}") for vessel in range(300)])
        store.flush()
    with store.transaction() as connection:
        connection.exec_driver_sql("ANALYZE reading_batch")
    plan = _plan(
        store, "SELECT payload FROM reading_batch WHERE vessel_id = 7 OR vessel_id IS NULL ORDER BY id"
    )
    assert "ix_reading_batch_vessel" in plan
    assert "Seq Scan" not in plan


_numbers = itertools.count()
_step = st.one_of(
    st.tuples(st.integers(0, 3 * WEEK_S).map(float), st.sampled_from([0.5, 1.25, 2.0])),
    st.sampled_from(["flush", "fold"]),
)


@settings(max_examples=30, deadline=None)
@given(steps=st.lists(_step, max_size=60))
def test_however_the_stream_is_cut_it_reads_back_the_same(
    shared: Store, steps: list[tuple[float, float] | str]
) -> None:
    """Commits and folding anywhere change nothing; of two readings of one millisecond the first stays."""
    vessel = f"vessel {next(_numbers)}"
    expected: dict[float, float] = {}
    for step in steps:
        if isinstance(step, tuple):
            expected.setdefault(step[0], step[1])
            shared.append([_reading(*step, vessel=vessel)])
        else:
            shared.flush()
            if step == "fold":
                fold_now(shared)
    found = shared.samples(vessel)
    assert dict(zip((found.time_s - T0).tolist(), found.value.tolist(), strict=True)) == expected
    assert np.all(np.diff(found.time_s) > 0)


@pytest.fixture(name="shared", scope="module")
def _shared(postgres: PostgresServer) -> Iterator[Store]:
    with Store.open(postgres.new_database()) as store:
        yield store


@either
def test_a_database_without_partitions_is_brought_up_with_its_readings(url: str) -> None:
    """Blocks and unfolded commits of the last schema are all there, in partitions, and more can be written."""
    engine = make_engine(parse_url(url), read_only=False, busy_timeout_s=5)
    with engine.connect().execution_options(**{WRITE: True}) as connection, connection.begin():
        migrate.upgrade(connection, "0003")
        connection.exec_driver_sql("INSERT INTO vessel (name) VALUES ('north')")
        for day in range(0, 30, 3):
            start_ms = int(T0 * 1000) + day * 86_400_000
            column = Column(np.arange(start_ms, start_ms + 10_000, 1000), np.linspace(0, 1, 10))
            connection.execute(
                sa.text("INSERT INTO reading_block VALUES (1, 1, :start_ms, 10, :payload)"),
                {"start_ms": start_ms, "payload": pack(column)},
            )
        late = Column(np.array([int(T0 * 1000) + 500]), np.array([9.5]))
        row = tables.pack_batch({("north", Kind.PRESSURE): late}, {"north": 1})
        connection.execute(
            sa.text("INSERT INTO reading_batch (count, payload) VALUES (:count, :payload)"), row
        )
    engine.dispose()
    with Store.open(url) as store:
        assert len(store.samples("north")) == 101
        assert len(_weeks(store)) == 4
        store.append([_reading(40 * 86_400.0)])
        store.flush()
        fold_now(store)
        assert len(store.samples("north")) == 102
        assert store.samples("north").value[1] == 9.5
        with store.reading() as connection:
            assert migrate.stored_revision(connection) == schema.HEAD


def test_what_is_read_ahead_is_what_is_read_one_by_one(store: Store) -> None:
    """State, journal and readings of several vessels at once: folded, committed, pending, old and recent."""
    names = ["north", "south", "never heard of"]
    for number, name in enumerate(names[:2]):
        store.append([_reading(seconds, number, vessel=name) for seconds in range(0, 3 * WEEK_S, 7200)])
        store.flush()
        fold_now(store)
        store.append([_reading(seconds, 9.0, vessel=name) for seconds in range(0, 3 * WEEK_S, 5400)])
        store.flush()
        store.append([_reading(3 * WEEK_S + seconds, vessel=name) for seconds in range(50)])
        entry = store.add_entry(name, T0 + number, "pitched", made_s=T0)
        store.add_entry(name, T0 + 5.0, "valve shut", made_s=T0)
        store.strike_entry(entry, made_s=T0 + 6)
        store.save_snapshot(name, saved_s=T0, fingerprint=name, payload=b"state")

    def everything(since_s: float) -> list[object]:
        return [
            (
                store.load_snapshot(name),
                dict(store.latest(name)),
                store.entries(name),
                store.entries(name, T0 + 1, T0 + 5.5, struck=True),
                [store.samples(name, since, until).time_s.tolist() for since, until in spans],
                [store.samples(name, since, until).value.tolist() for since, until in spans],
            )
            for name in names
            for spans in ([(since_s, None), (since_s + 1e5, since_s + 3e5), (T0, T0 + 1e5)],)
        ]

    for back_s in (0.0, 3600.0, 2 * 86_400.0, 40 * 86_400.0):
        since_s = T0 + 3 * WEEK_S - back_s
        alone = everything(since_s)
        with store.many_looks(names, since_s):
            assert everything(since_s) == alone
