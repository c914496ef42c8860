"""Time and memory that reading a recorded log takes, beside pandas reading the same file.

    python -m tests.benchmarks.log_reading [--days 10] [--repeat 3]

The log holds two quantities of one vessel at 1 Hz; ten days are 1.73 million rows. Each reading runs in a process of
its own; its peak memory is `VmHWM` of /proc/self/status, which begins anew with each program. The runs take turns, so
that a machine whose speed drifts treats both alike; medians are printed. Imports are not timed.

Beside the common layout, others are read: fractions with offsets, kPa with full doubles, rows out of order, gzip.
"""

import argparse
import gzip
import json
import shutil
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

START = np.datetime64("2026-03-01T08:00:00", "s")

_TELL = """
import json, re
from time import perf_counter
{imports}
begun = perf_counter()
rows = {read}
took_s = perf_counter() - begun
status = open("/proc/self/status").read()
print(json.dumps([took_s, int(re.search(r"VmHWM:\\s+(\\d+)", status)[1]) / 1024, rows]))
"""
PANDAS = _TELL.format(
    imports="import sys, pandas", read="len(pandas.read_csv(sys.argv[1], parse_dates=['time']))"
)
OURS = _TELL.format(
    imports="import sys\nfrom ullage.adapters.recorded_log import read_log",
    read="sum(map(len, read_log(sys.argv[1]).vessels.values()))",
)


@dataclass(frozen=True, slots=True)
class Figures:
    """Medians of some runs."""

    seconds: float
    peak_mb: float
    rows: int


def rows(days: float, layout: str) -> Iterator[str]:
    """Yield the lines of an invented log."""
    rng = np.random.default_rng(1)
    count = round(days * 86_400)
    stamps = np.datetime_as_string(START + np.arange(count))
    celsius = 20 + np.cumsum(rng.normal(0, 0.001, count))
    bar = np.clip(np.linspace(0, 1.5, count) + rng.normal(0, 0.002, count), 0, None)
    yield "time,vessel,quantity,value,unit\n"
    for stamp, beer, top in zip(stamps, celsius.tolist(), bar.tolist(), strict=True):
        if layout == "exact":
            yield f"{stamp}.250+01:00,north,temperature,{beer!r},Cel\n"
            yield f"{stamp}.250+01:00,north,pressure,{top * 100!r},kPa\n"
        else:
            yield f"{stamp}Z,north,temperature,{beer:.3f},Cel\n{stamp}Z,north,pressure,{top:.4f},bar\n"


def write(folder: Path, days: float, layout: str) -> Path:
    """Write a log in one of the layouts."""
    path = folder / f"{layout}.csv"
    lines = list(rows(days, layout))
    if layout == "shuffled":
        lines[1:] = (lines[1 + place] for place in np.random.default_rng(2).permutation(len(lines) - 1))
    with path.open("w") as stream:
        stream.writelines(lines)
    if layout == "gzip":
        packed = path.with_suffix(".csv.gz")
        with path.open("rb") as plain, gzip.open(packed, "wb", compresslevel=6) as stream:
            shutil.copyfileobj(plain, stream)
        return packed
    return path


def measure(path: Path, repeat: int) -> tuple[Figures, Figures]:
    """Return the figures of pandas and ours, run by turns."""
    runs: dict[str, list[tuple[float, float, int]]] = {PANDAS: [], OURS: []}
    for _ in range(repeat):
        for program, results in runs.items():
            told = subprocess.run(
                [sys.executable, "-c", program, str(path)], capture_output=True, check=True, text=True
            )
            took_s, peak_mb, read = json.loads(told.stdout)
            results.append((took_s, peak_mb, read))
    both = [
        Figures(
            statistics.median(run[0] for run in results),
            statistics.median(run[1] for run in results),
            results[0][2],
        )
        for results in runs.values()
    ]
    return both[0], both[1]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--days", type=float, default=10.0, help="length of the log (10)")
    parser.add_argument("--repeat", type=int, default=3, help="runs of each, by turns (3)")
    told = parser.parse_args()
    print("layout      rows      MB   pandas s  ours s  ratio   pandas MB  ours MB")
    with tempfile.TemporaryDirectory() as folder:
        for layout in ("plain", "exact", "shuffled", "gzip"):
            path = write(Path(folder), told.days, layout)
            theirs, ours = measure(path, told.repeat)
            size_mb = path.stat().st_size / 1e6
            print(
                f"{layout:9}{ours.rows:9,}{size_mb:8.1f}{theirs.seconds:10.2f}{ours.seconds:8.2f}"
                f"{ours.seconds / theirs.seconds:7.2f}{theirs.peak_mb:11.0f}{ours.peak_mb:9.0f}",
                flush=True,
            )
            path.unlink()


if __name__ == "__main__":
    main()
