"""Months in minutes: the daemon on a clock that is moved by hand, with alarms, answers and copies every day.

As a program, `python -m tests.faults.months FOLDER DAYS INTERVAL ADDRESS`, it is that daemon and prints a line a day: resident
memory in MB, open handles, threads.
"""

import math
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import yaml

from tests.faults.disk import ROOT
from tests.faults.fault import Bench, Cost
from tests.servers.daemon import wait_until
from tests.servers.http_receiver import HttpReceiver
from ullage.adapters.reading import Delivery, Quantity, Reading
from ullage.daemon.allocator import keep_little
from ullage.daemon.building import build
from ullage.daemon.clock import ManualClock
from ullage.daemon.service import Service
from ullage.daemon.settings import load

START_S = 1_772_352_000.0
DAY_MIN = 1440
VESSELS = ("heron", "otter")
SETTLED_DAYS = 10
"""Until then caches fill and the first batch is young."""
GROWTH_MB_A_DAY = 0.25
WORKERS = 8
"""Threads that the planner of jobs may still start."""
POOL = 12
"""Handles that the database's pool may still open, and a message on its way."""
EARLY_MB = 25.0
"""By how much memory may grow in the first days."""


def flat(bench: Bench) -> Cost:
    """Thirty days: memory and handles at the end are those of the tenth day."""
    days, interval_s = bench.times(2, 30), bench.times(60, 10)
    phone = bench.use(HttpReceiver())
    command = [sys.executable, "-m", "tests.faults.months"]
    command += [str(bench.folder), str(days), str(interval_s), phone.notify_url]
    env = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(command, env=env, cwd=ROOT, stdout=subprocess.PIPE, text=True, check=True)
    found = [tuple(float(word) for word in line.split()) for line in done.stdout.splitlines()]
    assert len(found) == days
    memory, handles, threads = zip(*found, strict=True)
    assert max(handles) <= handles[0] + POOL, f"open handles: {handles}"
    assert threads[-1] <= threads[0] + WORKERS, f"threads: {threads}"
    assert len(phone.accepted) >= days, f"{len(phone.accepted)} messages"
    if days > SETTLED_DAYS:
        slope = _slope(memory[SETTLED_DAYS:])
        assert slope < GROWTH_MB_A_DAY, f"{slope:.2f} MB a day more: {memory}"
        assert _slope(handles[SETTLED_DAYS:]) < 0.1, f"open handles: {handles}"
    else:
        slope = (memory[-1] - memory[0]) / (days - 1)
        assert memory[-1] - memory[0] < EARLY_MB, f"{memory} MB"
    remark = f"{days} days: {memory[-1]:.0f} MB, {slope:+.2f} MB a day; {max(handles):.0f} handles at most"
    return Cost(caused=days, remark=remark)


def _slope(values: tuple[float, ...]) -> float:
    """Return the slope of the best line (least squares)."""
    middle, mean = (len(values) - 1) / 2, sum(values) / len(values)
    up = sum((n - middle) * (value - mean) for n, value in enumerate(values))
    return up / sum((n - middle) ** 2 for n in range(len(values)))


def config(folder: Path, **parts: object) -> Path:
    """Write a configuration of two vessels that listen to a broker; `parts` are further top-level keys."""
    vessels = [
        {
            "name": name,
            "total_volume_l": 23,
            "beer_volume_l": 19,
            "rated_pressure_bar": 2.5,
            "valve_pressure_bar": 1.5,
            "yeast_temperature_c": [16, 24],
            "temperature": {"source": "cellar", "topic": f"cellar/{name}", "pointer": "/beer", "unit": "Cel"},
            "pressure": {"source": "cellar", "topic": f"cellar/{name}", "pointer": "/top", "unit": "bar"},
        }
        for name in VESSELS
    ]
    store = {"url": f"sqlite:///{folder / 'ullage.db'}", "keep_days": 20}
    sources = {"cellar": {"kind": "mqtt", "host": "127.0.0.1", "port": 1}}
    path = folder / "config.yaml"
    path.write_text(yaml.safe_dump({"vessels": vessels, "sources": sources, "store": store, **parts}))
    path.chmod(0o600)
    return path


def _with_phone(folder: Path, url: str) -> Path:
    address = folder / "push-url"
    address.write_text(url)
    address.chmod(0o600)
    targets = [{"name": "phone", "url_file": str(address)}]
    return config(folder, notify={"targets": targets}, schedule={"daily_digest": ""}, page={"port": 0})


def _minute(number: int, interval_s: int) -> Iterator[Reading]:
    """Yield what sensors say in a minute; at noon the pressure is above the limit for a while."""
    for second in range(0, 60, interval_s):
        time_s = START_S + 60 * number + second
        hours = (60 * number + second) / 3600
        for which, name in enumerate(VESSELS):
            noise = ((number * 60 + second) * 7919 + which * 31) % 13 - 6
            over = 1.3 if number % DAY_MIN in range(720, 724) else 0.0
            bar = 1.5 * -math.expm1(-hours / 20) + 0.01 * math.sin(hours / 5) + noise / 2000 + over
            yield Reading(
                name, Quantity.TEMPERATURE, time_s, round(19 + 0.3 * math.sin(hours / 2) + noise / 200, 2)
            )
            yield Reading(name, Quantity.PRESSURE, time_s, round(bar, 3))


def _live(service: Service, clock: ManualClock, folder: Path, days: int, interval_s: int) -> None:
    parts = service.parts
    sent = 0
    for number in range(days * DAY_MIN):
        readings = tuple(_minute(number, interval_s))
        clock.advance_to(START_S + 60 * (number + 1))
        parts.pipeline.deliver(Delivery(source="cellar", readings=readings))
        sent += len(readings)
        wait_until(lambda n=sent: parts.pipeline.counts.readings >= n, "a judgement")  # type: ignore[misc]
        wait_until(lambda: not parts.pipeline.books.waiting, "the books")
        parts.desk.remind()
        if number % DAY_MIN == 730:
            for name in VESSELS:
                parts.desk.acknowledge(name, None, "brewer")
            copy = folder / "copy.db"
            copy.unlink(missing_ok=True)
            parts.store.backup(copy)
            parts.store.retain(now_s=clock.wall_s(), keep_days=20)
            parts.desk.prune(20)
            service._take_over()
        if number % DAY_MIN == DAY_MIN - 1:
            print(_measured(), flush=True)


def _measured() -> str:
    with open("/proc/self/status") as file:
        lines = dict(line.split(":", 1) for line in file)
    resident_mb = int(lines["VmRSS"].split()[0]) / 1024
    return f"{resident_mb:.1f} {len(os.listdir('/proc/self/fd'))} {lines['Threads'].strip()}"


def main(folder: Path, days: int, interval_s: int, url: str) -> None:
    """Be that daemon."""
    keep_little()
    clock = ManualClock(wall_s=START_S)
    service = build(load(_with_phone(folder, url), {}), {}, clock)
    service.start()
    _live(service, clock, folder, days, interval_s)
    service.stop()


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), sys.argv[4])
