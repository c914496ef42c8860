"""A disk that is full, slow, dead or held by another program; a file that is damaged. Alarms go on all the while."""

import os
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from tests.faults.disk import FragileDisk, need_root
from tests.faults.fault import Bench, Cost
from tests.faults.house import House, vessel
from tests.servers.daemon import wait_until

PROMPT_S = 5.0
"""An alarm has to reach the phone within this, whatever the disk does; a tenth of a second is usual."""
TWO = [vessel("north"), vessel("south")]


@contextmanager
def small_disk(place: Path, size: str) -> Iterator[Path]:
    """Mount a file system in memory that is soon full."""
    need_root()
    place.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", place], check=True)
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
    return _ended(house, 17, slowest_s, time.monotonic() - began_s)


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
    return _ended(house, 14, slowest_s, time.monotonic() - began_s)


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
    sent = 2 + 10 * bench.times(1, 5)
    wait_until(lambda: bool(house.raised()), "everything in the database")
    return _ended(house, sent, slowest_s, time.monotonic() - began_s)


def _fill(ballast: Path) -> None:
    with ballast.open("wb", buffering=0) as file:
        for size in (4096, 512, 1):
            try:
                while True:
                    file.write(os.urandom(size))
            except OSError:
                continue


def _ended(house: House, sent: int, slowest_s: float, back_s: float) -> Cost:
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    stored = sum(len(house.stored(name)) for name in ("north", "south"))
    assert stored == sent, f"{stored} of {sent} readings stored"
    raised = house.raised()
    for told in raised:
        copies = sum(told.token in r.title + r.message for r in house.phone.accepted)
        assert copies >= 1, "an alarm was stored and never told"
    remark = f"on the phone after {slowest_s:.1f} s at most"
    return Cost(of=sent, alarms=len(raised), back_s=back_s, remark=remark)
