"""Time and memory of a whole replay, file to verdicts, beside pandas reading the same file.

    python -m tests.benchmarks.replaying [--days 10] [--repeat 3]

Both are whole processes, interpreter and imports included, and take turns; medians are printed. The log is that of
`log_reading`: two quantities of one vessel at 1 Hz, ten days being 1.73 million rows. The aims: no longer than three
times pandas' own reading, no more memory than pandas.
"""

import argparse
import statistics
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from tests.benchmarks.log_reading import write

CONFIG = """
vessels:
  - name: {vessel}
    total_volume_l: 23
    beer_volume_l: 19
    rated_pressure_bar: 2.5
    valve_pressure_bar: 1.5
    yeast_temperature_c: [16, 24]
"""
PANDAS = """
import sys, pandas
from time import perf_counter
begun = perf_counter()
pandas.read_csv(sys.argv[1], parse_dates=["time"])
print(perf_counter() - begun)
"""


@dataclass(frozen=True, slots=True)
class Run:
    """One process: wall-clock seconds and peak resident memory, and the seconds that it tells of itself."""

    seconds: float
    peak_mb: float
    told_s: float


def run(arguments: list[str]) -> Run:
    """Run a process to its end and measure it from outside.

    A small process starts and times it: peak memory counts from the fork on, and this one has held a whole log.
    """
    wrapper = (
        "import resource, subprocess, sys, time; begun = time.perf_counter(); "
        "done = subprocess.run(sys.argv[1:], capture_output=True, text=True); "
        "took_s = time.perf_counter() - begun; "
        "sys.stderr.write(done.stderr if done.returncode else ''); print(done.stdout[-400:]); "
        "print(took_s, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
    )
    done = subprocess.run(
        [sys.executable, "-c", wrapper, *arguments], capture_output=True, text=True, check=True
    )
    words = done.stdout.split()
    try:
        told_s = float(words[-3])
    except ValueError:
        told_s = 0.0
    return Run(float(words[-2]), int(words[-1]) / 1024, told_s)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=float, default=10)
    parser.add_argument("--repeat", type=int, default=3)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        log = write(Path(folder), options.days, "plain")
        with log.open() as lines:
            vessel = next(line for number, line in enumerate(lines) if number == 1).split(",")[1]
        config = Path(folder) / "config.yaml"
        config.write_text(CONFIG.format(vessel=vessel))
        replay = [
            str(Path(sys.executable).with_name("ullage")),
            "replay",
            str(log),
            "--config",
            str(config),
            "--jsonl",
        ]
        pandas, ours = [], []
        for _ in range(options.repeat):
            pandas.append(run([sys.executable, "-c", PANDAS, str(log)]))
            ours.append(run(replay))
    read_s = statistics.median(one.told_s for one in pandas)
    replay_s = statistics.median(one.seconds for one in ours)
    pandas_mb = statistics.median(one.peak_mb for one in pandas)
    ours_mb = statistics.median(one.peak_mb for one in ours)
    print(f"log of {options.days:g} days at 1 Hz, two quantities; medians of {options.repeat}")
    print(f"pandas.read_csv alone        {read_s:6.2f} s   {pandas_mb:5.0f} MB")
    print(f"ullage replay, whole process {replay_s:6.2f} s   {ours_mb:5.0f} MB")
    print(
        f"ratio                        {replay_s / read_s:6.2f}     {ours_mb / pandas_mb:5.2f}   (aims: 3, 1)"
    )


if __name__ == "__main__":
    main()
