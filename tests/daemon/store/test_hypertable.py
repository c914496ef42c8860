"""Readings on PostgreSQL with the extension TimescaleDB: in its chunks if it was there first, else as without it."""

from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
import sqlalchemy as sa

from tests.daemon.configs import EXAMPLE, write
from tests.daemon.program import ullage
from tests.daemon.store.folded import fold_now
from tests.servers.postgres import PostgresServer
from tests.servers.timescale import TimescaleServer
from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.checking_server import server_words
from ullage.daemon.settings import load
from ullage.daemon.store import hypertable, partitioning, partitions
from ullage.daemon.store.backup import backup, restore
from ullage.daemon.store.parts import SPAN_MS
from ullage.daemon.store.store import Store

WEEK_S = 7 * 86_400
T0 = 2900.0 * WEEK_S
"""A Thursday of July 2025 at midnight UTC: a week begins."""


@pytest.fixture(name="url")
def _url(timescale: TimescaleServer) -> str:
    return timescale.new_database(extension=True)


@pytest.fixture(name="store")
def _store(url: str) -> Iterator[Store]:
    with Store.open(url) as store:
        yield store


def _fill(store: Store, *times_s: float) -> None:
    store.append([Reading("north", Quantity.PRESSURE, T0 + time_s, time_s % 7) for time_s in times_s])
    store.flush()
    fold_now(store)


def _parting(store: Store) -> object:
    with store.reading() as connection:
        return partitioning.of(connection)


def _spans_ms(store: Store) -> list[int]:
    with store.reading() as connection:
        return [part.stop_ms - part.start_ms for part in hypertable.standing(connection)]


def _content(url: str) -> tuple[object, ...]:
    with Store.open(url) as store:
        found = store.samples("north")
        return (
            found.time_s.tolist(),
            found.value.tolist(),
            store.entries("north"),
            dict(store.latest("north")),
        )


def _words(url: str, folder: Path) -> list[str]:
    return list(server_words(load(write(folder, EXAMPLE, ("sqlite:///ullage.db", url)), {})))


def test_the_table_of_blocks_is_a_hypertable_and_all_else_is_as_it_was(store: Store) -> None:
    """It has the same columns, keys and words as without the extension, and not an index more."""
    assert _parting(store) is hypertable
    with store.reading() as connection:
        found = sa.inspect(connection)
        assert found.get_pk_constraint("reading_block")["constrained_columns"] == [
            "vessel_id",
            "quantity",
            "start_ms",
        ]
        assert [key["referred_table"] for key in found.get_foreign_keys("reading_block")] == ["vessel"]
        assert found.get_indexes("reading_block") == []
        assert found.get_table_comment("reading_block")["text"] is not None
        assert [name for name in found.get_table_names() if name.startswith("reading_block")] == [
            "reading_block"
        ]


def test_statements_that_the_driver_has_prepared_look_only_where_they_must(store: Store) -> None:
    """The plan for any span of time leaves out what a given one does not need when it is run."""
    _fill(store, *range(0, 20 * WEEK_S, 86_400))
    with store.reading() as connection:
        connection.exec_driver_sql("SET LOCAL plan_cache_mode = force_generic_plan")
        connection.exec_driver_sql(
            "PREPARE look (bigint, bigint) AS SELECT payload FROM reading_block WHERE start_ms >= $1 AND start_ms < $2"
        )
        start_ms = 2905 * SPAN_MS
        plan = "\n".join(
            connection.scalars(sa.text(f"EXPLAIN (ANALYZE) EXECUTE look({start_ms}, {start_ms + 1})"))
        )
        connection.exec_driver_sql("DEALLOCATE look")
        chunk = {part.start_ms: part.name.split(".")[-1] for part in hypertable.standing(connection)}
    assert {start for start, name in chunk.items() if f" {name} " in plan} == {start_ms}


def test_who_has_told_the_extension_another_span_gets_that(store: Store) -> None:
    """Chunks of a day from now on: nothing is lost, and each goes when it is old, those of a week too."""
    _fill(store, *range(0, WEEK_S, 3600))
    with store.transaction() as connection:
        connection.exec_driver_sql("SELECT set_chunk_time_interval('reading_block', 86400000::bigint)")
    _fill(store, *range(WEEK_S, WEEK_S + 3 * 86_400, 3600))
    assert _spans_ms(store) == [SPAN_MS, *[86_400_000] * 3]
    assert len(store.samples("north")) == 240
    assert store.retain(now_s=T0 + WEEK_S + 3 * 86_400, keep_days=1).readings_dropped == 24 * 9
    assert _spans_ms(store) == [86_400_000]
    assert len(store.coarse("north", Quantity.PRESSURE, T0, T0 + 2 * WEEK_S)) == 240


def test_a_backup_goes_there_and_back(url: str, postgres: PostgresServer, tmp_path: Path) -> None:
    """Out of partitions into chunks, and out of chunks into partitions; that is how one changes over."""
    first, last = postgres.new_database(), postgres.new_database()
    with Store.open(first) as store:
        _fill(store, -T0 - 1.0, *range(0, 3 * WEEK_S, 7200))
        store.add_entry("north", T0, "pitched", made_s=T0)
        store.append([Reading("north", Quantity.PRESSURE, T0 + 3 * WEEK_S, 1.5)])
    backup(first, tmp_path / "1.db")
    restore(tmp_path / "1.db", url)
    assert _content(url) == _content(first)
    with Store.open(url) as store:
        assert _parting(store) is hypertable
    backup(url, tmp_path / "2.db")
    restore(tmp_path / "2.db", last)
    assert _content(last) == _content(first)
    with Store.open(last) as store:
        assert _parting(store) is partitions


def test_check_says_that_readings_lie_in_chunks(url: str, tmp_path: Path) -> None:
    """Before the first start there is nothing to tell, which is said, too; of a file there never is."""
    (said,) = _words(url, tmp_path)
    assert said.startswith("How readings lie there can't be told now: postgresql database")
    Store.open(url).close()
    assert _words(url, tmp_path) == ["Readings lie in chunks of the extension TimescaleDB 2.23.0-dev."]
    (tmp_path / "push-url").write_text("json://127.0.0.1:9/\n")
    done = ullage("check", "--config", tmp_path / "config.yaml", env={"COLUMNS": "400"})
    assert (done.returncode, done.stderr) == (0, "")
    assert "Readings lie in chunks of the extension TimescaleDB 2.23.0-dev.\n" in done.stdout
    assert list(server_words(load(write(tmp_path), {}))) == []


def test_an_extension_that_comes_later_changes_nothing(timescale: TimescaleServer, tmp_path: Path) -> None:
    """Partitions stay, are made and are dropped as before; `check` says that the extension is not used."""
    url = timescale.new_database(extension=False)
    with Store.open(url) as store:
        _fill(store, *range(0, 3 * WEEK_S, 7200))
    assert _words(url, tmp_path) == ["Readings lie in partitions of PostgreSQL's own, one each week."]
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("CREATE EXTENSION timescaledb")
    with Store.open(url) as store:
        assert _parting(store) is partitions
        _fill(store, *range(3 * WEEK_S, 5 * WEEK_S, 7200))
        assert len(store.samples("north")) == 5 * 84
        assert store.retain(now_s=T0 + 5 * WEEK_S, keep_days=15).readings_dropped == 2 * 84
        with store.reading() as connection:
            assert [part.start_ms // SPAN_MS for part in partitions.standing(connection)] == [
                *range(2902, 2908)
            ]
            assert hypertable.standing(connection) == ()
    (said,) = _words(url, tmp_path)
    assert said.endswith("; the extension TimescaleDB 2.23.0-dev came after them and is not used.")
