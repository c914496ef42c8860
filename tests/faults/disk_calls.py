"""The disk's faults once more, where nothing may be mounted: the daemon's system calls are refused, delayed or lost."""

import shutil
import signal
import time
from pathlib import Path

from tests.faults.calls import DEAD, FULL, SLOW, answered, from_the_start, let_go, noted
from tests.faults.disk_faults import PROMPT_S, TWO, ended, short_of_room
from tests.faults.fault import Bench, Cost
from tests.faults.house import COMMIT_S, Brewer, House
from tests.faults.power import whole_after_cuts
from tests.faults.reload import take_over
from tests.faults.written import WrittenFiles
from tests.servers.daemon import wait_until


def full(bench: Bench) -> Cost:
    """Every write says that there is no room; then there is."""
    return _met(bench, FULL)


def nearly_full(bench: Bench) -> Cost:
    """More is to stay free than there is, by a configuration taken over while the daemon runs; then less."""
    house = House.build(bench, vessels=TWO)
    beyond_mb = shutil.disk_usage(bench.folder).free / 1e6 + 10_000

    def ask_for(floor_mb: float) -> None:
        store = {**house.daemon.config["store"], "free_space_floor_mb": floor_mb}
        take_over(house, {**house.daemon.config, "store": store})

    return short_of_room(house, lambda: ask_for(beyond_mb), lambda: ask_for(0))


def slow(bench: Bench) -> Cost:
    """Each flush takes three seconds."""
    return _met(bench, SLOW)


def _met(bench: Bench, answer: str) -> Cost:
    house = House.build(bench, vessels=TWO)
    house.start()
    house.publish(*[1.0] * 5)
    wait_until(lambda: len(house.stored()) == 5, "the first readings")
    with answered(house.daemon.pid, answer):
        slowest_s = house.rings(PROMPT_S)
        house.publish(*[1.0] * 8)
        slowest_s = max(slowest_s, house.rings(PROMPT_S, name="south", since=len(house.phone.accepted)))
    began_s = time.monotonic()
    wait_until(lambda: len(house.stored()) == 15 and len(house.raised()) == 2, "everything in the database")
    return ended(house, 17, slowest_s, time.monotonic() - began_s)


def dead(bench: Bench) -> Cost:
    """Every write fails from the start on: vessels are watched all the same, and the card is taken up when it works."""
    house = House.build(bench, vessels=TWO)
    house.start()
    house.publish(*[1.0] * 5)
    wait_until(lambda: len(house.stored()) == 5, "the first readings")
    house.daemon.kill()
    house.daemon.before = from_the_start(DEAD)
    house.start()
    assert "nothing is kept" in house.daemon.log, house.daemon.log[-1500:]
    slowest_s = house.rings(PROMPT_S)
    assert house.phone.wait_until(lambda rs: any("database can't be used" in r.message for r in rs)), (
        "not told"
    )
    process = house.daemon.process
    assert process is not None
    let_go(process.pid)
    began_s = time.monotonic()
    assert process.wait(60) == 1, "it did not notice that the card works again"
    house.daemon.before = ()
    house.start()  # as the service manager does
    house.calm_down()
    slowest_s = max(slowest_s, house.rings(PROMPT_S, since=len(house.phone.accepted)))
    back_s = time.monotonic() - began_s
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    return Cost(alarms=2, back_s=back_s, remark=f"on the phone after {slowest_s:.1f} s at most")


def cuts(bench: Bench) -> Cost:
    """The power goes: of what was written and not flushed any part is lost; whatever was promised is there.

    Whether an entry of the folder was flushed is not looked at, nor a file system's own journal: the cut of a disk does.
    """
    house = House.build(bench)
    files = WrittenFiles(house.database)
    chance, back_s, sectors = bench.chance, 0.0, 0
    cut_at_s: list[float] = []
    number = bench.times(3, 25)
    brewer = Brewer(house)
    for count in range(number):
        log = bench.folder / f"calls-{count}"
        house.daemon.before = noted(log)
        began_s = time.monotonic()
        house.start()
        back_s = max(back_s, time.monotonic() - began_s)
        brewer.publish(1.0, chance.randrange(4, 8), 0.25)
        if chance.random() < 0.7:
            brewer.episode(3, 0.25)
        brewer.above(chance.randrange(2, 5), 0.25)
        time.sleep(chance.uniform(0, 1.5 * COMMIT_S))  # the random moment
        pid = house.daemon.pid
        house.daemon.signal(signal.SIGSTOP)
        cut_at_s.append(round(time.time(), 2))
        wait_until(lambda pid=pid: _still(pid), "the end of all calls")  # type: ignore[misc]
        house.daemon.kill()
        sectors += files.cut(log, chance)
    house.daemon.before = ()
    house.start()
    alarms = whole_after_cuts(house, brewer, cut_at_s)
    return Cost(
        caused=number,
        of=len(brewer.sent),
        alarms=alarms,
        back_s=back_s,
        remark=f"{sectors} sectors not flushed",
    )


def _still(pid: int) -> bool:
    states = [
        file.read_text().rpartition(")")[2].split()[0] for file in Path(f"/proc/{pid}/task").glob("*/stat")
    ]
    return all(state in "tT" for state in states)
