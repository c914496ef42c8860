"""A newer program over an older database, cut off and failing; copies of a database in use, and the way back."""

import shutil
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

from tests.faults.disk_faults import small_disk
from tests.faults.fault import Bench, Cost
from tests.faults.house import Brewer, House
from tests.servers.daemon import wait_until
from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.clock import SystemClock
from ullage.daemon.routes import Nobody
from ullage.daemon.store import migrate, schema
from ullage.daemon.store.engine import WRITE, make_engine, parse_url
from ullage.daemon.store.store import Store
from ullage.detectors.finding import Condition, Finding, Priority, State

READINGS = 3_000
ALARMS = "0002"
"""The revision from which on alarms are kept."""


def revisions() -> tuple[str, ...]:
    """Return every revision before this program's, oldest first."""
    return tuple(f"{number:04d}" for number in range(1, int(schema.HEAD)))


def every_revision(bench: Bench) -> Cost:
    """From each schema that there ever was: readings, journal and alarms are all there, and the watch goes on."""
    back_s = 0.0
    for revision in revisions():
        house = House.build(bench.aside(revision))
        _make_old(house.database, revision)
        house.daemon.log_path.parent.mkdir(parents=True, exist_ok=True)
        began_s = time.monotonic()
        house.start()
        back_s = max(back_s, time.monotonic() - began_s)
        _check_kept(house, revision)
        copy = house.database.with_name(f"ullage.db.before-{schema.HEAD}")
        assert copy.exists(), "there is no copy of the old database"
        house.calm_down()
        house.rings(since=len(house.phone.accepted))
        assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    return Cost(caused=len(revisions()), alarms=len(revisions()), back_s=back_s, remark=f"to {schema.HEAD}")


def killed_upgrade(bench: Bench) -> Cost:
    """SIGKILL at random moments of the first start: the next one finds the old database or the new one, whole."""
    house = House.build(bench)
    revision = bench.chance.choice(revisions())
    _make_old(house.database, revision)
    kills = bench.times(3, 30)
    for _ in range(kills):
        house.daemon.launch()
        time.sleep(bench.chance.uniform(0.3, 1.5))  # the random moment
        house.daemon.kill()
    house.start()
    _check_kept(house, revision)
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    return Cost(caused=kills, remark=f"from {revision}")


def failing_upgrade(bench: Bench) -> Cost:
    """No room for the copy, and a table in the way: the old file stays as it is, and the watch goes on without it."""
    disk = bench.use(small_disk(bench.folder / "card", "1m"))
    back_s = 0.0
    for number, fail in enumerate((_no_room, _in_the_way)):
        house = House.build(bench.aside(str(number)), database=disk / f"{number}.db")
        _make_old(house.database, revisions()[-1])
        undo = fail(house.database)
        before = _content(house.database, bench.folder / "look")
        house.start()
        assert "nothing is kept" in house.daemon.log, house.daemon.log[-1500:]
        house.rings(since=len(house.phone.accepted))
        assert _content(house.database, bench.folder / "look") == before, "the old database was changed"
        undo()
        began_s = time.monotonic()
        process = house.daemon.process
        assert process is not None
        assert process.wait(60) == 1, "it did not notice that the database can be used"
        house.start()  # as the service manager does
        back_s = max(back_s, time.monotonic() - began_s)
        _check_kept(house, revisions()[-1])
        assert house.daemon.stop() == 0, house.daemon.log[-1500:]
        house.database.unlink()
        house.database.with_name(f"{number}.db.before-{schema.HEAD}").unlink()
    return Cost(caused=2, alarms=2, back_s=back_s, remark="the old file untouched")


def backups(bench: Bench) -> Cost:
    """Copies while readings and alarms come; one is put in the place of the database, which is kept."""
    house = House.build(bench)
    house.start()
    brewer = Brewer(house)
    times = bench.times(2, 20)
    for number in range(times):
        brewer.episode(10)
        copy = bench.folder / f"copy-{number}.db"
        done = _ullage(house, "backup", str(copy))
        assert done.returncode == 0, done.stderr
        _check_copy(copy, brewer)
        brewer.publish(1.0, 10)
    wait_until(lambda: brewer.arrived(), "the newest reading")
    refused = _ullage(house, "restore", str(copy))
    assert refused.returncode == 1, "a database in use was replaced"
    assert "stop the daemon first" in refused.stderr, refused.stderr
    brewer.close()
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    lost = brewer.missing()
    assert not lost, f"{len(lost)} readings lost while copies were made"
    done = _ullage(house, "restore", str(copy))
    assert done.returncode == 0, done.stderr
    began_s = time.monotonic()
    house.start()
    back_s = time.monotonic() - began_s
    assert house.stored() == _readings(copy)
    house.calm_down()
    house.rings(since=len(house.phone.accepted))
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    return Cost(
        caused=times, of=len(brewer.sent), alarms=brewer_alarms(brewer), back_s=back_s, remark="put back"
    )


def brewer_alarms(brewer: Brewer) -> int:
    """Return how many episodes there were."""
    return len(brewer.episodes)


def _make_old(file: Path, revision: str) -> None:
    """Make a database as the program of that revision left it, with everything in it that this one had a place for."""
    full = file.with_name(f"{file.name}.full")
    _fill(full)
    engine = make_engine(parse_url(f"sqlite:///{file}"), read_only=False, busy_timeout_s=5)
    with engine.connect().execution_options(**{WRITE: True}) as connection, connection.begin():
        migrate.upgrade(connection, revision)
    engine.dispose()
    with closing(sqlite3.connect(file, isolation_level=None)) as old:
        old.execute("ATTACH ? AS made", (str(full),))
        for (table,) in old.execute("SELECT name FROM main.sqlite_schema WHERE type = 'table'").fetchall():
            if table in ("alembic_version", "sqlite_sequence"):
                continue
            columns = [row[1] for row in old.execute(f"PRAGMA main.table_info({table})")]
            there = {row[1] for row in old.execute(f"PRAGMA made.table_info({table})")}
            names = ", ".join(f'"{name}"' for name in columns if name in there)
            old.execute(f'INSERT INTO main."{table}" ({names}) SELECT {names} FROM made."{table}"')
    full.unlink()


def _fill(file: Path) -> None:
    start_s = time.time() - READINGS - 60
    with Store.open(f"sqlite:///{file}") as store:
        for first in range(0, READINGS, 100):
            store.append(
                [
                    Reading("north", Quantity.PRESSURE, start_s + number, 1.0 + number / 10_000)
                    for number in range(first, first + 100)
                ]
            )
            store.flush()
        store.add_entry("north", start_s, "pitched", made_s=start_s)
        desk = AlarmDesk(store, Nobody(lambda _: ("phone",)), SystemClock())
        leak = Finding(
            time_s=start_s + 10, vessel="north", condition=Condition.LEAK, state=State.RAISED,
            priority=Priority.HIGH, text="it hisses",
        )  # fmt: skip
        desk.take([leak])
        desk.acknowledge("north", None, "brewer")


def _check_kept(house: House, revision: str) -> None:
    kept = house.stored()
    assert len(kept) >= READINGS, f"{READINGS - len(kept)} readings lost on the way from {revision}"
    with house.store() as store:
        assert "pitched" in [entry.text for entry in store.entries("north")], "the journal is lost"
        assert store.check_integrity() is None
    if revision >= ALARMS:
        with house.desk() as desk:
            by = [alarm.acknowledged_by for alarm in desk.standing("north") if alarm.condition == "leak"]
        assert by in (["brewer"], []), f"the alarm was acknowledged by {by}"
        assert any(told.condition == "leak" for told in house.told()), "the alarm is lost"


def _no_room(database: Path) -> "_Undo":
    ballast = database.with_name("ballast")
    with ballast.open("wb", buffering=0) as file:
        for size in (65_536, 4096):
            try:
                while True:
                    file.write(b"\1" * size)
            except OSError:
                continue
    return _Undo(ballast, "")


def _in_the_way(database: Path) -> "_Undo":
    new = sorted(set(schema.metadata.tables) - _tables(database))
    assert new, "this revision adds no table"
    with closing(sqlite3.connect(database, isolation_level=None)) as connection:
        connection.execute(f'CREATE TABLE "{new[0]}" (stranger)')
    return _Undo(database, f'DROP TABLE "{new[0]}"')


class _Undo:
    """Takes the obstacle away."""

    def __init__(self, file: Path, statement: str) -> None:
        self._file, self._statement = file, statement

    def __call__(self) -> None:
        if not self._statement:
            self._file.unlink()
            return
        with closing(sqlite3.connect(self._file, isolation_level=None)) as connection:
            connection.execute(self._statement)


def _tables(database: Path) -> set[str]:
    with closing(sqlite3.connect(database)) as connection:
        return {row[0] for row in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}


def _content(database: Path, aside: Path) -> list[str]:
    """Return what the file holds, looked at in a copy: the place may be full, and the look must not change it."""
    shutil.copy(database, aside)
    with closing(sqlite3.connect(aside)) as connection:
        return list(connection.iterdump())


def _ullage(house: House, *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "ullage.daemon.cli", *words, "--config", str(house.daemon.config_path)]
    return subprocess.run(command, check=False, capture_output=True, text=True, timeout=60)


def _readings(database: Path) -> dict[int, float]:
    with Store.open(f"sqlite:///{database}", read_only=True) as store:
        samples = store.samples("north")
    times = (samples.time_s * 1000).round().astype(int).tolist()
    return dict(zip(times, samples.value.tolist(), strict=True))


def _check_copy(copy: Path, brewer: Brewer) -> None:
    kept = _readings(copy)
    wrong = [time_ms for time_ms, value in kept.items() if brewer.sent.get(time_ms) != value]
    assert not wrong, f"a copy holds {len(wrong)} readings that nobody sent"
    with Store.open(f"sqlite:///{copy}", read_only=True) as store:
        fault = store.check_integrity()
    assert fault is None, fault
