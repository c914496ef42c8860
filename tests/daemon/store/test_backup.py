"""Copies of a database in use, and the way back, over SQLite and PostgreSQL."""

import sqlite3
import stat
import threading
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa

from tests.servers.postgres import PostgresServer
from ullage.adapters.errors import StoreError
from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.store import leases, schema
from ullage.daemon.store.backup import backup, restore
from ullage.daemon.store.share_tables import SHARES
from ullage.daemon.store.store import Store

T0 = 1_760_000_000.0


def _fill(store: Store, count: int = 50) -> None:
    store.append([Reading("north", Quantity.PRESSURE, T0 + i, i / 8) for i in range(count)])
    store.flush()
    entry = store.add_entry("north", T0, "valve set 1.5", made_s=T0)
    store.replace_entry(entry, text="valve set 1.2", made_s=T0 + 1)
    store.save_snapshot("north", saved_s=T0, fingerprint="x", payload=b"state")


def _content(url: str) -> tuple[object, ...]:
    with Store.open(url) as store:
        found = store.samples("north")
        return (
            found.time_s.tolist(), found.value.tolist(), store.entries("north", struck=True), store.load_snapshot("north")
        )  # fmt: skip


def test_a_backup_brings_everything_back(url: str, tmp_path: Path) -> None:
    """Readings, entries with their corrections and state return; work goes on with new keys after them."""
    with Store.open(url) as store:
        _fill(store)
    before = _content(url)
    copy = tmp_path / "copy.db"
    backup(url, copy)
    assert stat.S_IMODE(copy.stat().st_mode) == 0o600
    fresh = f"sqlite:///{tmp_path / 'fresh.db'}"
    assert restore(copy, fresh) is None
    assert _content(fresh) == before
    with Store.open(fresh) as store:
        assert store.add_entry("south", T0, "pitched", made_s=T0) > 2
        assert store.check_integrity() is None


def test_a_file_can_move_to_a_server(tmp_path: Path, postgres: PostgresServer) -> None:
    """A backup of a file is restored into an empty PostgreSQL database, and never into one that holds something."""
    url, server = f"sqlite:///{tmp_path / 'ullage.db'}", postgres.new_database()
    with Store.open(url) as store:
        _fill(store)
    backup(url, tmp_path / "copy.db")
    restore(tmp_path / "copy.db", server)
    assert _content(server) == _content(url)
    with Store.open(server) as store:
        store.append([Reading("south", Quantity.PRESSURE, T0 + 100, 1.0)])
        assert store.flush() == 1
    with pytest.raises(StoreError, match="restore into an empty database"):
        restore(tmp_path / "copy.db", server)


def test_a_copy_taken_while_writing_is_whole(url: str, tmp_path: Path) -> None:
    """Copies taken between commits hold each commit wholly or not at all."""
    done = threading.Event()
    with Store.open(url) as store:
        store.append([Reading("north", Quantity.PRESSURE, T0 - 1, 0.0)] * 10)
        store.flush()

        def write() -> None:
            number = 0
            while not done.is_set():
                store.append(
                    [Reading("north", Quantity.PRESSURE, T0 + number * 10 + i, 1.0) for i in range(10)]
                )
                store.flush()
                number += 1

        writer = threading.Thread(target=write)
        writer.start()
        try:
            for number in range(4):
                backup(url, tmp_path / f"copy-{number}.db")
        finally:
            done.set()
            writer.join()
    for number in range(4):
        with Store.open(f"sqlite:///{tmp_path / f'copy-{number}.db'}", read_only=True) as copy:
            assert copy.check_integrity() is None
            assert len(copy.samples("north")) % 10 == 1


def test_pending_readings_are_in_a_copy_made_by_the_daemon(file: Path, tmp_path: Path) -> None:
    """The store commits what waits before it copies."""
    with Store.open(f"sqlite:///{file}") as store:
        store.append([Reading("north", Quantity.PRESSURE, T0, 1.0)])
        store.backup(tmp_path / "copy.db")
    with Store.open(f"sqlite:///{tmp_path / 'copy.db'}", read_only=True) as copy:
        assert len(copy.samples("north")) == 1


def test_a_copy_never_takes_the_place_of_a_file(file: Path, tmp_path: Path) -> None:
    """An existing name is refused, a missing folder named, and nothing half-made is left."""
    with Store.open(f"sqlite:///{file}") as store:
        _fill(store)
    taken = tmp_path / "taken.db"
    taken.write_text("precious")
    with pytest.raises(StoreError, match="is there already; choose another name"):
        backup(f"sqlite:///{file}", taken)
    assert taken.read_text() == "precious"
    with pytest.raises(StoreError, match=r"none/copy\.db: can't be written"):
        backup(f"sqlite:///{file}", tmp_path / "none" / "copy.db")
    with pytest.raises(StoreError, match="no database yet"):
        backup(f"sqlite:///{tmp_path / 'other.db'}", tmp_path / "copy.db")
    assert {part.name for part in tmp_path.glob("*") if part.suffix in (".db", ".part")} == {
        "taken.db",
        "ullage.db",
    }


def test_what_stood_there_is_kept(file: Path, tmp_path: Path) -> None:
    """The database that a backup replaces is put aside, its last commits included."""
    url = f"sqlite:///{file}"
    with Store.open(url) as store:
        _fill(store)
    backup(url, tmp_path / "copy.db")
    with Store.open(url) as store:
        store.append([Reading("north", Quantity.PRESSURE, T0 + 1000, 1.0)])
    aside = restore(tmp_path / "copy.db", url)
    assert aside == file.with_name("ullage.db.replaced")
    assert len(_content(url)[0]) == 50  # type: ignore[arg-type]
    assert len(_content(f"sqlite:///{aside}")[0]) == 51  # type: ignore[arg-type]


def test_a_database_in_use_is_not_replaced(file: Path, tmp_path: Path) -> None:
    """While the daemon has it open, restore refuses and says what to do."""
    url = f"sqlite:///{file}"
    with Store.open(url) as store:
        _fill(store)
        backup(url, tmp_path / "copy.db")
        with pytest.raises(StoreError, match="stop the daemon first"):
            restore(tmp_path / "copy.db", url)
        store.append([Reading("north", Quantity.PRESSURE, T0 + 1000, 1.0)])
    assert len(_content(url)[0]) == 51  # type: ignore[arg-type]


def test_what_a_newer_program_made_is_refused_on_both_sides(file: Path, tmp_path: Path) -> None:
    """Neither a backup nor a database of an unknown schema is touched."""
    url, copy = f"sqlite:///{file}", tmp_path / "copy.db"
    with Store.open(url) as store:
        _fill(store)
    backup(url, copy)
    for newer in (copy, file):
        with closing(sqlite3.connect(newer)) as connection, connection:
            connection.execute("UPDATE alembic_version SET version_num = '9999'")
        with pytest.raises(StoreError, match="schema 9999, this program knows up to"):
            restore(copy, url)
        with closing(sqlite3.connect(newer)) as connection, connection:
            connection.execute("UPDATE alembic_version SET version_num = ?", (schema.HEAD,))


@pytest.mark.parametrize("kind", ["missing", "text", "other", "damaged"])
def test_what_is_no_whole_backup_is_refused(file: Path, tmp_path: Path, kind: str) -> None:
    """A file that can't be restored is named with the reason, and the database stays."""
    url, copy = f"sqlite:///{file}", tmp_path / "copy.db"
    with Store.open(url) as store:
        _fill(store, 3000)
    if kind == "text":
        copy.write_bytes(b"time,vessel\n" * 100)
    elif kind == "other":
        with closing(sqlite3.connect(copy)) as connection:
            connection.execute("CREATE TABLE bread (flour INTEGER)")
    elif kind == "damaged":
        backup(url, copy)
        content = bytearray(copy.read_bytes())
        content[4096:] = bytes(len(content) - 4096)
        copy.write_bytes(content)
    with pytest.raises(
        StoreError, match=r"copy\.db.*(no such file|not a database|no backup|malformed|damaged)"
    ):
        restore(copy, url)
    assert len(_content(url)[0]) == 3000  # type: ignore[arg-type]


def test_a_damaged_database_can_be_replaced(file: Path, tmp_path: Path) -> None:
    """That is what backups are for; the damaged file is kept."""
    url = f"sqlite:///{file}"
    with Store.open(url) as store:
        _fill(store)
    backup(url, tmp_path / "copy.db")
    file.write_bytes(b"broken" * 1000)
    assert restore(tmp_path / "copy.db", url) == file.with_name("ullage.db.replaced")
    assert len(_content(url)[0]) == 50  # type: ignore[arg-type]


def test_who_holds_what_is_no_part_of_a_copy(postgres: PostgresServer, tmp_path: Path) -> None:
    """Leases tell of the daemons that run here; a database that is restored elsewhere has none of them."""
    url, other = postgres.new_database(), postgres.new_database()
    with Store.open(url) as store:
        _fill(store)
        with store.transaction() as connection:
            leases.join(connection, leases.Member(token="t", name="shed", machine="m", alone=False))
            leases.register(connection, ["north"], forget=True)
            assert leases.take(connection, "t", 1)
    backup(url, tmp_path / "copy.db")
    with (
        Store.open(f"sqlite:///{tmp_path / 'copy.db'}", read_only=True) as copy,
        copy.reading() as connection,
    ):
        for table in SHARES:
            assert connection.scalar(sa.select(sa.func.count()).select_from(table)) == 0
    Store.open(other).close()
    with Store.open(other) as store, store.transaction() as connection:
        leases.join(connection, leases.Member(token="u", name="loft", machine="m", alone=False))
    restore(tmp_path / "copy.db", other)
    assert _content(other) == _content(url)
