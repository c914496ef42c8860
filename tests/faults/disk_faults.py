"""A disk that is full, slow, dead or held by another program; a file that is damaged. Alarms go on all the while."""

import os
import shutil
import sqlite3
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from tests.faults.disk import FragileDisk, mounted, need_root
from tests.faults.fault import Bench, Cost
from tests.faults.house import COMMIT_S, House, vessel
from tests.servers.daemon import wait_until

PROMPT_S = 5.0
"""An alarm has to reach the phone within this, whatever the disk does; a tenth of a second is usual."""
TWO = [vessel("north"), vessel("south")]


@contextmanager
def small_disk(place: Path, size: str) -> Iterator[Path]:
    """Mount a file system in memory that is soon full."""
    place.mkdir()
    mounted("-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place))
    try:
        yield place
    finally:
        subprocess.run(["umount", "--lazy", place], check=True)


def full(bench: Bench) -> Cost:
    """No room for a commit: alarms come from memory, and once there is room everything is written, once."""
    disk = bench.use(small_disk(bench.folder / "card", "1m"))
    house = House.build(bench, database=disk / "ullage.db", vessels=TWO)
    house.start()
    house.publish(*[1.0] * 5)
    wait_until(lambda: len(house.stored()) == 5, "the first readings")
    _fill(disk / "ballast")
    slowest_s = house.rings(PROMPT_S)
    house.publish(*[1.0] * 8)
    slowest_s = max(slowest_s, house.rings(PROMPT_S, name="south"))
    (disk / "ballast").unlink()
    began_s = time.monotonic()
    wait_until(lambda: len(house.stored()) == 15 and len(house.raised()) == 2, "everything in the database")
    return ended(house, 17, slowest_s, time.monotonic() - began_s)


def nearly_full(bench: Bench) -> Cost:
    """Little room is left: readings wait for more in memory, alarms are written on; then nothing is missing."""
    disk = bench.use(small_disk(bench.folder / "card", "32m"))
    house = House.build(bench, database=disk / "ullage.db", vessels=TWO, floor_mb=12)
    ballast = disk / "ballast"

    def fill() -> None:
        with ballast.open("wb") as file:
            os.posix_fallocate(file.fileno(), 0, shutil.disk_usage(disk).free - 8_000_000)

    return short_of_room(house, fill, ballast.unlink)


def short_of_room(house: House, take_room: Callable[[], object], make_room: Callable[[], object]) -> Cost:
    """Let a disk fall below its floor for a while."""
    house.start()
    house.publish(*[1.0] * 5)
    wait_until(lambda: len(house.stored()) == 5, "the first readings")
    take_room()
    assert house.phone.wait_until(lambda rs: any("Make room" in r.message for r in rs), 20), "nobody was told"
    house.publish(*[1.0] * 5)
    slowest_s = house.rings(PROMPT_S)
    wait_until(lambda: len(house.raised()) == 1, "the alarm in the database")
    house.acknowledge()
    time.sleep(3 * COMMIT_S)  # commits that would be due
    assert len(house.stored()) == 5, "readings were written where there was no room for them"
    make_room()
    began_s = time.monotonic()
    wait_until(lambda: len(house.stored()) == 12, "all readings in the database")
    back_s = time.monotonic() - began_s
    wait_until(
        lambda: [told.kind for told in house.told("disk-nearly-full")] == ["raised", "cleared"],
        "the end of the alarm",
    )
    return ended(house, 12, slowest_s, back_s)


def slow(bench: Bench) -> Cost:
    """Each flush takes seconds: the phone rings before the commit, and other vessels wait for nothing."""
    need_root()
    card = bench.folder / "card"
    disk = bench.use(FragileDisk(bench.folder / "disk", card))
    house = House.build(bench, database=card / "ullage.db", vessels=TWO)
    bench.at_end(lambda: disk.tell("slow 0"))  # before the daemon is killed, which waits for the disk
    house.start()
    disk.tell("slow 3")
    slowest_s = house.rings(PROMPT_S)
    slowest_s = max(slowest_s, house.rings(PROMPT_S, name="south"))
    house.publish(*[1.0] * 8, name="south")
    slowest_s = max(slowest_s, house.rings(PROMPT_S, name="south", since=len(house.phone.accepted)))
    disk.tell("slow 0")
    began_s = time.monotonic()
    wait_until(
        lambda: len(house.stored("south")) == 12 and len(house.raised()) == 3, "everything in the database"
    )
    return ended(house, 14, slowest_s, time.monotonic() - began_s)


def locked(bench: Bench) -> Cost:
    """Another program holds the file: alarms come from memory, and are written when it lets go."""
    house = House.build(bench, vessels=TWO)
    house.start()
    slowest_s = 0.0
    with closing(sqlite3.connect(house.database, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        slowest_s = house.rings(PROMPT_S)
        for _ in range(bench.times(1, 5)):
            before = len(house.phone.accepted)
            house.publish(*[1.0] * 8, name="south")
            slowest_s = max(slowest_s, house.rings(PROMPT_S, name="south", since=before))
        other.execute("COMMIT")
    began_s = time.monotonic()
    times = bench.times(1, 5)
    sent = 2 + 10 * times
    wait_until(
        lambda: bool(house.raised()) and len(house.stored("south")) == 10 * times,
        "everything in the database",
    )
    return ended(house, sent, slowest_s, time.monotonic() - began_s)


def locked_at_start(bench: Bench) -> Cost:
    """Another program holds the file when the daemon starts: vessels are watched all the same, and the file is taken up."""
    house = House.build(bench, vessels=TWO)
    house.start()
    house.publish(*[1.0] * 5)
    wait_until(lambda: len(house.stored()) == 5, "the first readings")
    house.daemon.kill()
    with closing(sqlite3.connect(house.database, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        house.start()
        slowest_s = house.rings(PROMPT_S)
        told = house.phone.wait_until(lambda rs: any("database can't be used" in r.message for r in rs))
        assert told, "nobody was told of the file"
        other.execute("COMMIT")
    began_s = time.monotonic()
    process = house.daemon.process
    assert process is not None
    assert process.wait(60) == 1, "it did not notice that the file is free"
    house.start()  # as the service manager does
    slowest_s = max(slowest_s, house.rings(PROMPT_S, name="south", since=len(house.phone.accepted)))
    back_s = time.monotonic() - began_s
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    assert len(house.stored()) >= 5, "what was stored before is gone"
    return Cost(alarms=2, back_s=back_s, remark=f"on the phone after {slowest_s:.1f} s at most")


def dead(bench: Bench) -> Cost:
    """The card refuses every write, and the system makes it read-only: the watch goes on, after a start as well.

    When a card that works is in its place the daemon takes that up by itself.
    """
    need_root()
    card = bench.folder / "card"
    disk = bench.use(FragileDisk(bench.folder / "disk", card))
    house = House.build(bench, database=card / "ullage.db", vessels=TWO)
    house.start()
    house.publish(*[1.0] * 5)
    wait_until(lambda: len(house.stored()) == 5, "the first readings")
    image = bench.folder / "image"
    disk.cut(image, 1)  # what the card holds before it dies
    disk.tell("fail 0 1")
    slowest_s = house.rings(PROMPT_S)
    house.daemon.kill()
    house.start()
    assert "nothing is kept" in house.daemon.log, house.daemon.log[-1500:]
    before = len(house.phone.accepted)
    slowest_s = max(slowest_s, house.rings(PROMPT_S, name="south", since=before))
    told = house.phone.wait_until(lambda rs: any("database can't be used" in r.message for r in rs))
    assert told, "nobody was told of the card"
    disk.unmount()
    bench.use(FragileDisk(bench.folder / "other", card, image))
    began_s = time.monotonic()
    process = house.daemon.process
    assert process is not None
    assert process.wait(60) == 1, "it did not notice that the card works again"
    house.start()  # as the service manager does
    house.calm_down("south")
    before = len(house.phone.accepted)
    slowest_s = max(slowest_s, house.rings(PROMPT_S, name="south", since=before))
    back_s = time.monotonic() - began_s
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    return Cost(alarms=3, back_s=back_s, remark=f"on the phone after {slowest_s:.1f} s at most")


def damaged_running(bench: Bench) -> Cost:
    """Pages of the file turn to rubbish under the running daemon: it says so, ends, and begins a new file."""
    house = House.build(bench, vessels=TWO)
    house.start()
    house.publish(*[1.0] * 20)
    house.rings(PROMPT_S)
    house.acknowledge()
    wait_until(lambda: len(house.stored()) == 22, "the first readings")
    with house.store() as store, store.reading() as connection:
        query = "SELECT rootpage FROM sqlite_schema WHERE name = 'reading_batch'"
        page = int(connection.exec_driver_sql(query).scalar_one())
    _checkpoint(house.database)
    with house.database.open("r+b") as file:
        file.seek((page - 1) * 4096)
        file.write(bench.chance.randbytes(4096))
    process = house.daemon.process
    assert process is not None
    began_s = time.monotonic()
    house.publish(*[1.0] * 3, name="south")
    assert process.wait(30) == 1, "the damage was not noticed"
    house.start()  # as the service manager does
    back_s = time.monotonic() - began_s
    assert house.database.with_name("ullage.db.damaged").exists()
    assert house.phone.wait_until(lambda rs: any("was damaged" in r.message for r in rs)), "nobody was told"
    with house.desk() as desk:
        kept = [(a.condition, a.state.value) for a in desk.standing("north")]
    assert kept == [("over-pressure", "acknowledged")], f"the alarm was not saved: {kept}"
    house.rings(PROMPT_S, name="south", since=len(house.phone.accepted))
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    return Cost(alarms=2, back_s=back_s, remark="alarms and journal saved from the damaged file")


def damaged_at_start(bench: Bench) -> Cost:
    """The file is no database any more: it is moved aside, and the watch begins at once."""
    house = House.build(bench)
    house.database.write_bytes(bench.chance.randbytes(60_000))
    began_s = time.monotonic()
    house.start()
    back_s = time.monotonic() - began_s
    assert house.database.with_name("ullage.db.damaged").stat().st_size == 60_000
    assert house.phone.wait_until(lambda rs: any("was damaged" in r.message for r in rs)), "nobody was told"
    house.rings(PROMPT_S, since=len(house.phone.accepted))
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    return Cost(alarms=1, back_s=back_s, remark="moved aside")


def _checkpoint(database: Path) -> None:
    with closing(sqlite3.connect(database, isolation_level=None)) as other:
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def _fill(ballast: Path) -> None:
    with ballast.open("wb", buffering=0) as file:
        for size in (4096, 512, 1):
            try:
                while True:
                    file.write(os.urandom(size))
            except OSError:
                continue


def ended(house: House, sent: int, slowest_s: float, back_s: float) -> Cost:
    """Stop in order, and hold what is stored and told against what was sent."""
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    stored = sum(len(house.stored(name)) for name in ("north", "south"))
    assert stored == sent, f"{stored} of {sent} readings stored"
    raised = house.raised()
    for told in raised:
        copies = sum(told.token in r.title + r.message for r in house.phone.accepted)
        assert copies >= 1, "an alarm was stored and never told"
    remark = f"on the phone after {slowest_s:.1f} s at most"
    return Cost(of=sent, alarms=len(raised), back_s=back_s, remark=remark)
