"""Resident memory of the whole daemon over a month of readings, in simulated time.

    python -m tests.benchmarks.month [--days 30] [--interval 10]

A process of its own builds the daemon as `run` does, for two vessels over an SQLite file, and has its
clock set by hand: minute by minute readings come in, are judged, put down and committed; the detectors' state
is saved each hour, old readings are thinned out each night. So commits, frames and folding come as often as in life,
and a month passes in some minutes. What a broker adds is in `live`, whose clock is the machine's.
"""

import argparse
import math
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from tests.faults.months import START_S, VESSELS, config
from ullage.adapters.reading import Delivery, Quantity, Reading
from ullage.daemon.allocator import keep_little
from ullage.daemon.building import build
from ullage.daemon.clock import ManualClock
from ullage.daemon.settings import load

BATCH_DAYS = 15
"""Then the vessels are pitched anew."""
AIM_MB = 100


def minute(number: int, interval_s: int) -> Iterator[Reading]:
    """Yield one minute's readings: a fermentation under a valve, a chill after twelve days, noise as sensors have."""
    for second in range(0, 60, interval_s):
        time_s = START_S + 60 * number + second
        hours = (60 * number + second) / 3600 % (BATCH_DAYS * 24)
        cold = hours > 12 * 24
        for which, name in enumerate(VESSELS):
            noise = ((number * 60 + second) * 7919 + which * 31) % 13 - 6
            celsius = (3.0 if cold else 19.0) + 0.3 * math.sin(hours / 2) + noise / 200
            bar = (
                (0.6 if cold else 1.5 * -math.expm1(-hours / 20)) + 0.01 * math.sin(hours / 5) + noise / 2000
            )
            yield Reading(name, Quantity.TEMPERATURE, time_s, round(celsius, 2))
            yield Reading(name, Quantity.PRESSURE, time_s, round(bar, 3))


def resident_mb() -> float:
    """Return the resident memory of this process."""
    found = re.search(r"VmRSS:\s+(\d+) kB", Path("/proc/self/status").read_text())
    assert found is not None
    return int(found[1]) / 1024


def live_through(folder: Path, days: int, interval_s: int) -> None:
    """Be the daemon for so many days; print the resident memory after each."""
    keep_little()
    clock = ManualClock(wall_s=START_S)
    parts = build(load(config(folder), {}), {}, clock).parts
    late = [part.make() for part in parts.late]  # not started: for what they import and hold
    parts.pipeline.start()
    sent = 0
    for number in range(days * 1440):
        if number % (BATCH_DAYS * 1440) == 0:
            for name in VESSELS:
                parts.store.add_entry(name, clock.wall_s(), "pitched", made_s=clock.wall_s())
        readings = tuple(minute(number, interval_s))
        clock.advance_to(START_S + 60 * (number + 1))
        parts.pipeline.deliver(Delivery(source="cellar", readings=readings))
        sent += len(readings)
        while parts.pipeline.counts.readings < sent or parts.pipeline.books.waiting:
            time.sleep(0.0005)
        parts.writer.turn()
        if number % 1440 == 220:
            parts.store.retain(now_s=clock.wall_s(), keep_days=20)
        if (number + 1) % 1440 == 0:
            print(f"{resident_mb():.1f}", flush=True)
    parts.pipeline.stop()
    parts.writer.stop()
    parts.store.close()
    del late


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--interval", type=int, default=10, help="seconds between two readings (10)")
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.folder is not None:
        live_through(options.folder, options.days, options.interval)
        return
    with tempfile.TemporaryDirectory(prefix="ullage-month-") as folder:
        command = [sys.executable, "-m", "tests.benchmarks.month", "--folder", folder]
        command += ["--days", str(options.days), "--interval", str(options.interval)]
        env = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
        done = subprocess.run(command, env=env, stdout=subprocess.PIPE, text=True, check=True)
    after = [float(word) for word in done.stdout.split()]
    marks = sorted({1, 2, 5, 10, 15, 20, 25, options.days} & set(range(1, len(after) + 1)))
    print(f"resident memory, 2 vessels, a reading every {options.interval} s, MB (aim {AIM_MB}, and flat)")
    for day in marks:
        print(f"after day {day:2}  {after[day - 1]:6.1f}")


if __name__ == "__main__":
    main()
