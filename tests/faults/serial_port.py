"""Serial probes on pseudo-terminals: unplugged in the middle of a line, heard at the wrong speed, gone mad."""

import os
import time
import tty
from typing import Any

from tests.faults.broker import GROWTH_MB, PROMPT_S, memory_mb
from tests.faults.fault import Bench, Cost
from tests.faults.house import LIMIT_BAR, House, vessel
from tests.servers.daemon import wait_until

SPEEDS = (4_800, 19_200, 38_400, 115_200)
"""What a probe may send at while the port is set to 9,600 baud."""


class Probe:
    """The other end of the cable, under a name that stays, as below /dev/serial/by-id; each plugging has another port."""

    def __init__(self, bench: Bench) -> None:
        self.link = bench.folder / "usb-probe"
        self._ends: tuple[int, int] | None = None
        self._kept: list[int] = []
        self.ports: set[str] = set()
        self.plug()
        bench.at_end(self.unplug)

    def plug(self) -> None:
        """Plug it in; the port has a name that it had not before."""
        while True:
            ours, theirs = os.openpty()
            name = os.ttyname(theirs)
            if name not in self.ports:
                break
            self._kept += [ours, theirs]  # else the system would give the same name again
        tty.setraw(theirs)
        self.ports.add(name)
        self._ends = ours, theirs
        fresh = self.link.with_suffix(".new")
        fresh.symlink_to(name)
        fresh.replace(self.link)

    def unplug(self) -> None:
        """Pull it out."""
        for end in (*(self._ends or ()), *self._kept):
            os.close(end)
        self._ends, self._kept = None, []

    def say(self, content: bytes) -> None:
        """Send, as fast as the port takes it."""
        assert self._ends is not None
        while content:
            content = content[os.write(self._ends[0], content) :]


def replugged(bench: Bench) -> Cost:
    """Out and in again in the middle of a line, each time as another device: no half number, and on it goes."""
    probe, house = _house(bench)
    house.start_apart("reading ")
    probe.say(b"\n")  # what comes first after opening may be half a line
    times, back_s = bench.times(3, 40), 0.0
    values = []
    for number in range(times):
        probe.say(b"top=1.%03d beer=18\n" % (500 + number))
        values.append(1.5 + number / 1000)
        wait_until(lambda n=number: _newest(house) == 1.5 + n / 1000, "a reading")  # type: ignore[misc]
        probe.say(b"top=9")
        probe.unplug()
        probe.plug()
        began_s = time.monotonic()
        probe.say(b".7 beer=18\n")
        wait_until(lambda: _opened(house) > number, "the port opened again")  # noqa: B023
        back_s = max(back_s, time.monotonic() - began_s)
        probe.say(b"8 beer=18\ntop=1.0 beer=18\n")
        wait_until(lambda: _newest(house) == 1.0, "the next whole line")
    _rings(probe, house)
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    wrong = {value for value in house.stored().values() if value not in (*values, 1.0, 2.6, 2.7)}
    assert not wrong, f"numbers that nobody sent: {wrong}"
    return Cost(caused=times, alarms=1, back_s=back_s, remark=f"{len(probe.ports)} different ports")


def wrong_speed(bench: Bench) -> Cost:
    """What a port makes of a probe at another speed, and of lines without their beginning: refused, never a number."""
    probe, house = _house(bench)
    house.start_apart("reading ")
    probe.say(b"\ntop=1.5 beer=18\n")
    wait_until(lambda: _newest(house) == 1.5, "a reading")
    lines = b"".join(
        b"top=%.3f beer=18.2\r\n" % bench.chance.uniform(0, 2) for _ in range(bench.times(100, 2000))
    )
    for speed in SPEEDS:
        probe.say(misheard(lines, speed / 9_600))
    probe.say(b"\n" + b"5 beer=18\n=2.9\nop=2.9\n" * 20)
    probe.say(b"\ntop=1.6 beer=18\n")
    wait_until(lambda: _newest(house) == 1.6, "the next right line")
    assert "check baud and format" in house.daemon.log, "nothing was said of the speed"
    _rings(probe, house)
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    wrong = set(house.stored().values()) - {1.5, 1.6, 2.6, 2.7}
    assert not wrong, f"numbers that nobody sent: {wrong}"
    return Cost(caused=len(SPEEDS) + 1, alarms=1)


def flood(bench: Bench) -> Cost:
    """A probe that never pauses: it is kept up with, memory stays, and the alarm comes through."""
    probe, house = _house(bench)
    house.start_apart("reading ")
    probe.say(b"\ntop=1.5 beer=18\n")
    wait_until(lambda: _newest(house) == 1.5, "a reading")
    before_mb = memory_mb(house)
    count = bench.times(30_000, 1_000_000)
    for start in range(0, count, 1000):
        probe.say(
            b"".join(b"top=1.%05d beer=18\n" % (number % 100_000) for number in range(start, start + 1000))
        )
    # of lines that come within a millisecond one counts: a single one may be lost on the detectors, a sensor goes on
    began_s = time.monotonic()
    while not any(f"{LIMIT_BAR}" in request.message for request in house.phone.accepted):
        took_s = time.monotonic() - began_s
        assert took_s < PROMPT_S, f"the phone is silent after {took_s:.1f} s; {house.daemon.log[-1500:]}"
        probe.say(b"\ntop=2.6 beer=18\n")
        time.sleep(0.2)  # the sensor's own pace
    took_s = time.monotonic() - began_s
    grown_mb = memory_mb(house) - before_mb
    assert grown_mb < GROWTH_MB, f"{grown_mb:.0f} MB more than before"
    assert house.daemon.stop() == 0, house.daemon.log[-1500:]
    remark = f"{count} lines; on the phone after {took_s:.1f} s; at most {grown_mb:.0f} MB more"
    return Cost(alarms=1, remark=remark)


def misheard(content: bytes, ratio: float) -> bytes:
    """Return what a receiver makes of bytes that were sent `ratio` times as fast as it listens (8N1).

    The line rests high; a start bit is low, eight data bits follow with the lowest first, a stop bit is high. The
    receiver waits for a fall and samples the middle of each of its own bits.
    """
    line = [1]
    for byte in content:
        line += [0, *((byte >> bit) & 1 for bit in range(8)), 1]
    heard, at, step = bytearray(), 0.0, ratio
    while at < len(line):
        if line[int(at)]:
            at += 0.25
            continue
        middle = at + step / 2
        bits = [line[min(int(middle + step * n), len(line) - 1)] for n in range(1, 9)]
        heard.append(sum(bit << n for n, bit in enumerate(bits)))
        at += step * 9.5
    return bytes(heard)


def _house(bench: Bench) -> tuple[Probe, House]:
    probe = Probe(bench)
    north: dict[str, Any] = vessel("north")
    north["pressure"] = {"source": "probe", "key": "top", "unit": "bar"}
    source = {"kind": "serial", "url": str(probe.link), "first_pause_s": 0.05, "longest_pause_s": 0.2}
    return probe, House.build(bench, vessels=[north], sources={"probe": source}, page={"port": 0})


def _newest(house: House) -> float | None:
    stored = house.stored()
    return round(stored[max(stored)], 6) if stored else None


def _opened(house: House) -> int:
    return house.daemon.log.count("port state") - 1


def _rings(probe: Probe, house: House) -> float:
    """Raise the pressure and wait for the phone; return how long that took."""
    began_s = time.monotonic()
    probe.say(b"\ntop=2.6 beer=18\n")
    time.sleep(0.1)  # two readings at two times
    probe.say(b"top=2.7 beer=18\n")
    came = house.phone.wait_until(lambda rs: any(f"{LIMIT_BAR}" in r.message for r in rs), 20)
    assert came, f"no alarm on the phone; {house.daemon.log[-1500:]}"
    return time.monotonic() - began_s
