"""What must not be lost when a process is killed, the disk is full or another program holds the file."""

import contextlib
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from ullage.adapters.errors import StoreError
from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.store import readings as tables
from ullage.daemon.store.store import Store

T0 = 1_760_000_000.0
KILLS = 20

WRITER = """
import sys
from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.store.store import Store

store = Store.open(sys.argv[1], on_corrupt="move_aside")
assert store.moved_aside is None
number = int(sys.argv[2])
while True:
    store.append([Reading("north", Quantity.PRESSURE, 1.76e9 + number + i / 10, i / 7) for i in range(10)])
    store.flush()
    store.add_entry("north", 1.76e9 + number, "vented", made_s=1.76e9)
    print(number, flush=True)
    number += 1
"""


def _batch(count: int, start: int = 0) -> list[Reading]:
    rng = random.Random(start)
    return [Reading("north", Quantity.PRESSURE, T0 + start + i, rng.random()) for i in range(count)]


@pytest.mark.timeout(400)  # twenty starts of a program on a machine that may be slow
def test_a_killed_writer_loses_nothing_that_was_committed(url: str) -> None:
    """Twenty times kill -9 at a random moment: every commit that was reported is there, and the file is whole."""
    rng = random.Random(20)
    said: set[int] = set()
    begin = 0
    for _ in range(KILLS):
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, url, str(begin)], stdout=subprocess.PIPE, text=True
        )
        assert writer.stdout is not None
        said |= {int(writer.stdout.readline()) for _ in range(rng.randrange(1, 30))}
        killer = threading.Timer(rng.random() * 0.004, writer.kill)
        killer.start()
        said |= {int(line) for line in writer.stdout}
        writer.wait()
        writer.stdout.close()
        with Store.open(url) as store:
            assert store.check_integrity() is None
            found = [round(time_s, 3) for time_s in (store.samples("north").time_s - T0).tolist()]
            noted = {int(entry.time_s - T0) for entry in store.entries("north")}
        # commits are there in order and whole; the last may have been made without being reported
        assert found == [number + i / 10 for number in range(len(found) // 10) for i in range(10)]
        assert max(said) < len(found) // 10 <= max(said) + 2
        assert said <= noted
        begin = len(found) // 10
    assert begin > KILLS


@pytest.fixture(name="small_disk")
def _small_disk(tmp_path: Path) -> Iterator[Path]:
    if os.geteuid() != 0:
        if os.environ.get("CI") == "true":
            pytest.fail("needs root to mount a small file system")
        pytest.skip("needs root to mount a small file system")
    mount = tmp_path / "small"
    mount.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", mount], check=True)
    yield mount
    subprocess.run(["umount", mount], check=True)


def test_a_full_disk_costs_nothing_once_there_is_room(small_disk: Path) -> None:
    """The commit fails in plain words, readings stay in memory and readable, and all are written later."""
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes(150_000))
    sent = 0
    with Store.open(f"sqlite:///{small_disk / 'u.db'}") as store:
        caught = None
        while caught is None:
            store.append(_batch(500, sent))
            sent += 500
            try:
                store.flush()
            except StoreError as error:
                caught = error
            assert sent < 100_000
        assert "disk is full" in str(caught)
        assert "make room" in str(caught)
        assert caught.retryable
        assert store.pending >= 500
        assert len(store.samples("north")) == sent
        with pytest.raises(StoreError):
            store.flush()
        ballast.unlink()
        store.append(_batch(500, sent))
        assert store.flush() >= 1000
        assert store.pending == 0
        assert len(store.samples("north")) == sent + 500
        assert store.check_integrity() is None


def test_a_database_on_a_disk_without_any_room_says_what_to_do(small_disk: Path) -> None:
    """Not even the files that SQLite keeps beside it fit: whoever opens it then is told to make room, and finds all later."""
    url = f"sqlite:///{small_disk / 'u.db'}"
    with Store.open(url) as store:
        store.append(_batch(10))
        store.flush()
    ballast = small_disk / "ballast"
    with contextlib.suppress(OSError), ballast.open("wb", buffering=0) as file:
        while True:
            file.write(bytes(512))
    with pytest.raises(StoreError, match="make room"):
        Store.open(url)
    ballast.unlink()
    with Store.open(url) as store:
        assert len(store.samples("north")) == 10


@pytest.mark.parametrize("replaced", [False, True])
def test_a_file_that_is_taken_away_is_missed_and_may_come_back(file: Path, replaced: bool) -> None:
    """Nothing is written where it would be lost with the process; readings wait, and are written when it is back."""
    aside = file.with_name("aside.db")
    with Store.open(f"sqlite:///{file}") as store:
        store.append(_batch(10))
        store.flush()
        file.rename(aside)
        if replaced:
            file.write_text("time,vessel,quantity,value,unit\n")
        store.append(_batch(10, 10))
        with pytest.raises(
            StoreError, match="was taken away or replaced while it is in use; put it back"
        ) as caught:
            store.flush()
        assert caught.value.retryable
        with pytest.raises(StoreError, match="taken away"):
            store.add_entry("north", T0, "vented", made_s=T0)
        with pytest.raises(StoreError, match="taken away"):
            store.entries("north")
        assert store.pending == 10
        assert file.exists() is replaced
        aside.replace(file)
        assert store.flush() == 10
    with Store.open(f"sqlite:///{file}") as store:
        assert len(store.samples("north")) == 20


def test_a_file_that_another_program_holds_is_waited_for(file: Path) -> None:
    """Within the waiting time nothing is noticed; beyond it the readings wait in memory."""
    with Store.open(f"sqlite:///{file}", busy_timeout_s=0.2) as store:
        with closing(sqlite3.connect(file, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            store.append(_batch(5))
            with pytest.raises(StoreError, match=r"locked.*another program holds the file") as caught:
                store.flush()
            assert caught.value.retryable
            assert store.pending == 5
            assert len(store.samples("north")) == 5
        assert store.flush() == 5

    with (
        Store.open(f"sqlite:///{file}", busy_timeout_s=30) as store,
        closing(sqlite3.connect(file, isolation_level=None, check_same_thread=False)) as other,
    ):
        other.execute("BEGIN IMMEDIATE")
        release = threading.Timer(0.3, lambda: other.execute("COMMIT"))
        release.start()
        store.append(_batch(5, 100))
        assert store.flush() == 5
        release.join()


def test_memory_is_bounded_while_the_database_refuses(file: Path) -> None:
    """Beyond the limit the oldest are dropped and counted, the newest are kept."""
    with Store.open(f"sqlite:///{file}", busy_timeout_s=0.05, max_pending=20_000) as store:
        with closing(sqlite3.connect(file, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            for start in range(0, 50_000, 1000):
                store.append(_batch(1000, start))
                if start % 10_000 == 0:
                    with pytest.raises(StoreError, match="locked"):
                        store.flush()
            assert store.pending <= 20_000
            assert store.pending + store.dropped == 50_000
        kept = store.flush()
        found = store.samples("north")
        assert len(found) == kept == 50_000 - store.dropped
        assert found.time_s[-1] == T0 + 49_999


def test_a_reader_that_never_ends_costs_room_only_while_it_reads(file: Path) -> None:
    """A journal can't be copied back past a reader (SQLite, "Write-Ahead Logging", section 6): then it grows, then it shrinks."""
    journal = Path(f"{file}-wal")
    with Store.open(f"sqlite:///{file}") as store:
        store.append(_batch(100))
        store.flush()
        with closing(sqlite3.connect(file, isolation_level=None)) as other:
            other.execute("BEGIN")
            other.execute("SELECT count(*) FROM reading_batch").fetchone()
            chance = random.Random(1)
            for number in range(50):
                state = chance.randbytes(120_000)
                store.save_snapshot("north", saved_s=T0 + number, fingerprint="a", payload=state)
            assert journal.stat().st_size > 5_000_000
        for number in range(3):
            store.append(_batch(100, 100_000 + number * 100))
            store.flush()
        assert journal.stat().st_size <= 4_194_304
        assert len(store.samples("north")) == 400


def test_a_failing_fold_costs_no_commit(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Folding is housekeeping: when it fails the readings are safe, it is logged and tried again."""
    with Store.open(f"sqlite:///{file}") as store:
        with store.transaction() as connection:
            connection.exec_driver_sql(
                "CREATE TRIGGER full BEFORE INSERT ON reading_block BEGIN SELECT RAISE(FAIL, 'no block today'); END"
            )
        for number in range(tables.FOLD_ROWS + 3):
            store.append(_batch(10, number * 10))
            assert store.flush() == 10
        assert len(store.samples("north")) == 10 * (tables.FOLD_ROWS + 3)
        with store.transaction() as connection:
            connection.exec_driver_sql("DROP TRIGGER full")
        store.append(_batch(10, 5000))
        store.flush()
        with store.reading() as connection:
            assert not tables.fold_is_due(connection)
        assert len(store.samples("north")) == 10 * (tables.FOLD_ROWS + 4)


def test_a_sync_that_fails_is_not_trusted_afterwards(file: Path, tmp_path: Path) -> None:
    """Every commit that was reported survives a run in which syncs fail with an input/output error."""
    code = """
import sys
from ullage.adapters.errors import StoreError
from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.store.store import Store
failed = 0
with Store.open(sys.argv[1]) as store:
    for number in range(40):
        store.append([Reading("north", Quantity.PRESSURE, 1.76e9 + number, number / 7)])
        try:
            store.flush()
        except StoreError as error:
            assert "I/O" in str(error), error
            failed += 1
    store.flush()
    assert store.pending == 0
print(failed)
"""
    strace = _strace()
    command = [strace, "-f", "-qq", "-o", str(tmp_path / "trace"), "-e", "trace=fdatasync,fsync"]
    command += ["-e", "inject=fdatasync,fsync:error=EIO:when=20..22"]
    done = subprocess.run(
        [*command, sys.executable, "-c", code, f"sqlite:///{file}"],
        check=False,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) >= 1
    with Store.open(f"sqlite:///{file}", on_corrupt="move_aside") as store:
        assert store.moved_aside is None
        assert [round(value * 7) for value in store.samples("north").value] == list(range(40))


def _strace() -> str:
    found = shutil.which("strace")
    if found is None:
        if os.environ.get("CI") == "true":
            pytest.fail("strace is missing: apt-get install strace")
        pytest.skip("needs strace, which pip can't bring: apt-get install strace")
    return found
