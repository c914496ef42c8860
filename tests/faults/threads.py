"""Threads that die or hang inside the running daemon: noticed, and either started again or the whole process is."""

import contextlib
import ctypes
import os
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager

from tests.faults.disk import ROOT
from tests.faults.fault import Bench, Cost, Missing
from tests.faults.house import LIMIT_BAR, House
from tests.faults.sabotaged import SOCKET
from tests.servers.daemon import wait_until

DIE = (
    "pipeline", "books", "writer", "source-cellar", "source-cellar-give", "target-phone", "alarm desk", "scheduler",
    "batches",
)  # fmt: skip
SLEEPER, SLEEPS_S = "APScheduler", 60.0
"""It sleeps until its next job, and dies only then."""
HANG = ("pipeline", "books", "writer", "alarm desk", "batches", "scheduler", "target-phone", "source-cellar")
HEALED = ("source-cellar", "source-cellar-give")
"""Threads that are started again by themselves; without any other the process ends."""
NOTICED_S = 10.0
"""A dead thread has to be noticed within this; the courier looks round when it has a message."""
PING_S = 2.0
STUCK_S = 250.0
"""The longest that a loop may hang before that is noticed; what readings take is noticed within a ping."""
_SEIZE, _INTERRUPT, _DETACH = 0x4206, 0x4207, 17
_WALL = 0x40000000


class Saboteur:
    """The way to the one inside the daemon."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._path = house.bench.folder / "saboteur"
        path = os.pathsep.join((str(ROOT), os.environ.get("PYTHONPATH", "")))
        house.daemon.environ = {
            SOCKET: str(self._path),
            "PYTHONPATH": path,
            "WATCHDOG_USEC": f"{2e6 * PING_S:.0f}",
        }
        house.daemon.module = "tests.faults.sabotaged"

    def start(self) -> None:
        """Start the daemon with it."""
        self._path.unlink(missing_ok=True)
        self._house.start()
        wait_until(
            lambda: "started vessels" in self._house.daemon.log.rsplit("detectors rebuilt", 1)[-1],
            "all parts",
        )

    def kill(self, name: str) -> None:
        """Have a thread end; some are only there now and then."""
        assert self._ask(f"kill {name}") == "1", f"no thread {name}"

    def number(self, name: str) -> int:
        """Return the system's number of a thread."""
        threads = [line.split(" ", 1) for line in self._ask("list").splitlines()]
        return next(int(number) for number, each in threads if each == name)

    def _ask(self, words: str) -> str:
        with socket.socket(socket.AF_UNIX) as door:
            door.settimeout(5)
            door.connect(str(self._path))
            door.sendall(words.encode())
            return door.recv(10_000).decode()


def dead(bench: Bench) -> Cost:
    """Each thread in turn is ended by an exception that nothing catches, as the pressure rises; the phone must ring."""
    house = House.build(bench)
    saboteur = Saboteur(house)
    names = (*DIE, SLEEPER) if bench.long else tuple(bench.chance.sample(DIE, 3))
    slowest_s = 0.0
    for name in names:
        saboteur.start()
        process = house.daemon.process
        assert process is not None
        before = len(house.phone.accepted)
        began_s = time.monotonic()
        saboteur.kill(name)
        house.publish(2.6, 2.7)
        if name not in HEALED:
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(SLEEPS_S + NOTICED_S if name == SLEEPER else NOTICED_S)
            assert process.poll() == 1, f"{name} is dead and nobody noticed: {house.daemon.log[-1500:]}"
            saboteur.start()  # as the service manager does
        came = house.phone.wait_until(lambda _, n=before: _rang(house, n), 20)  # type: ignore[misc]
        assert came, f"{name} died, and the phone never rang: {house.daemon.log[-1500:]}"
        slowest_s = max(slowest_s, time.monotonic() - began_s)
        house.calm()
        assert house.daemon.stop() == 0, f"{name}: {house.daemon.log[-1500:]}"
    raised = house.raised()
    assert len(raised) == len(names), f"{len(raised)} alarms for {len(names)} episodes"
    healed = sum(name in HEALED for name in names)
    remark = f"{len(names) - healed} by a new process, {healed} by a new thread"
    return Cost(caused=len(names), alarms=len(names), back_s=slowest_s, remark=remark)


def hung(bench: Bench) -> Cost:
    """A debugger stops one thread: the watchdog hears nothing more, and the service manager starts all anew."""
    if os.geteuid() != 0:
        raise Missing("needs root to stop a thread")
    house = House.build(bench)
    saboteur = Saboteur(house)
    names = HANG if bench.long else HANG[:1]
    slowest_s = back_s = 0.0
    for name in names:
        saboteur.start()
        process = house.daemon.process
        assert process is not None
        before = len(house.phone.accepted)
        with stopped(saboteur.number(name)):
            began_s = time.monotonic()
            noticed_s = _silent_after(house, name)
            slowest_s = max(slowest_s, noticed_s)
            house.publish(2.6, 2.7)
            if process.poll() is None:
                process.send_signal(signal.SIGABRT)  # what the service manager sends
        process.wait(10)
        saboteur.start()
        came = house.phone.wait_until(lambda _, n=before: _rang(house, n), 20)  # type: ignore[misc]
        assert came, f"{name} hung, and the phone never rang: {house.daemon.log[-1500:]}"
        back_s = max(back_s, time.monotonic() - began_s)
        house.calm()
        assert house.daemon.stop() == 0, f"{name}: {house.daemon.log[-1500:]}"
    assert len(house.raised()) == len(names)
    remark = f"no ping to the watchdog after {slowest_s:.0f} s at most"
    return Cost(caused=len(names), alarms=len(names), back_s=back_s, remark=remark)


def _rang(house: House, before: int) -> bool:
    return any(f"{LIMIT_BAR}" in request.message for request in house.phone.accepted[before:])


def _silent_after(house: House, name: str) -> float:
    """Return after how long the pings ceased, or the process ended."""
    process = house.daemon.process
    assert process is not None
    began_s = last_s = time.monotonic()
    pings = 0
    while time.monotonic() - last_s < 3 * PING_S and process.poll() is None:
        count = sum("WATCHDOG=1" in words for words in house.daemon.told())
        if count != pings:
            pings, last_s = count, time.monotonic()
        assert time.monotonic() - began_s < STUCK_S, f"{name} hangs and the watchdog is fed"
        time.sleep(0.05)
    return last_s - began_s


@contextmanager
def stopped(thread: int) -> Iterator[None]:
    """Stop one thread of another process (ptrace(2)) while the block runs."""
    libc = ctypes.CDLL(None, use_errno=True)
    libc.ptrace.argtypes = [ctypes.c_long] * 4
    if libc.ptrace(_SEIZE, thread, 0, 0) != 0:
        raise Missing(f"no debugger may stop a thread here: {os.strerror(ctypes.get_errno())}")
    libc.ptrace(_INTERRUPT, thread, 0, 0)
    os.waitpid(thread, _WALL)
    try:
        yield
    finally:
        if libc.ptrace(_DETACH, thread, 0, 0) != 0:  # it has died meanwhile, and its debugger must bury it
            with contextlib.suppress(ChildProcessError):
                os.waitpid(thread, _WALL)
