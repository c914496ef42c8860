"""Print how long `ullage tune` takes for 100 settings over ten 10-day logs at 1 Hz: `python -m tests.benchmarks.tuning`.

The logs are batches of the verdict benchmark, interpolated to 1 Hz with the noise of a cheap sensor: invented data.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from tests.verdicts.generator import make_batch
from ullage.adapters.timestamps import format_rfc3339
from ullage.detectors.samples import Kind

DAYS = 10
KINDS = ("smooth_test", "vented", "valve_turned", "supersaturated", "cycling")
MIXED = (
    "ending.to_come_g_per_l=0.2,0.25,0.3,0.35,0.4",
    "ending.confirm_h=0.5,1,2,4",
    "silent.after_min=5,10,15,30,60",
)
ENDING = (
    "ending.to_come_g_per_l=0.2,0.25,0.3,0.35,0.4",
    "ending.confirm_h=0.5,1,2,4",
    "ending.ask_hours=4,5,6,7,8",
)
CONFIG = """vessels:
- {name: bench, total_volume_l: 23, beer_volume_l: 19, rated_pressure_bar: 4, valve_pressure_bar: 1.5}
"""


def write_log(path: Path, kind: str, seed: int, days: float) -> None:
    """Write one log with its truth beside it."""
    batch = make_batch(kind, seed)
    samples, start_s = batch.samples, float(np.floor(batch.samples.time_s.min()))
    time_s = start_s + np.arange(0.0, days * 86_400)
    rng = np.random.default_rng(seed)
    columns = []
    for code, noise, name, unit in (
        (Kind.TEMPERATURE, 0.02, "temperature", "Cel"),
        (Kind.PRESSURE, 0.003, "pressure", "bar"),
    ):
        mine = samples.kind == code
        order = np.argsort(samples.time_s[mine], kind="stable")
        value = np.interp(time_s, samples.time_s[mine][order], samples.value[mine][order])
        columns.append((np.round(value + rng.normal(0, noise, len(time_s)), 4).tolist(), name, unit))
    entries = sorted((e.time_s, e.text) for e in batch.entries if e.time_s < time_s[-1])
    stamps = [str(stamp) for stamp in np.datetime_as_string(time_s.astype("datetime64[s]"), timezone="UTC")]
    with path.open("w") as file:
        file.write("time,vessel,quantity,value,unit\n")
        for row, stamp in enumerate(stamps):
            while entries and entries[0][0] <= time_s[row]:
                at, text = entries.pop(0)
                file.write(f"{format_rfc3339(at)},bench,journal,{text},\n")
            for value, name, unit in columns:
                file.write(f"{stamp},bench,{name},{value[row]},{unit}\n")
    path.with_name(f"{path.stem}.truth.json").write_text(
        json.dumps({"end": format_rfc3339(batch.truth.end_s)})
    )


def run(folder: Path, logs: list[Path], settings: tuple[str, ...], jobs: int) -> tuple[float, float]:
    """Return the seconds that the command takes, and those that processors worked for it."""
    command = [
        sys.executable,
        "-m",
        "ullage.daemon.cli",
        "tune",
        *map(str, logs),
        "--config",
        str(folder / "config.yaml"),
    ]
    for one in settings:
        command += ["--set", one]
    began_s, worked_s = time.perf_counter(), _worked_s()
    done = subprocess.run([*command, "--jobs", str(jobs)], check=True, capture_output=True, text=True)
    assert "Best: " in done.stdout
    return time.perf_counter() - began_s, _worked_s() - worked_s


def _worked_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.tuning", description=__doc__)
    parser.add_argument("--logs", type=int, default=10)
    parser.add_argument("--days", type=float, default=DAYS)
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="ullage-tuning-") as name:
        folder = Path(name)
        (folder / "config.yaml").write_text(CONFIG)
        logs = []
        for number in range(options.logs):
            path = folder / f"batch{number}.csv"
            write_log(path, KINDS[number % len(KINDS)], number, options.days)
            logs.append(path)
        size = sum(path.stat().st_size for path in logs) / 1e6
        print(
            f"{len(logs)} logs, {size:.0f} MB; load before {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
        )
        for what, settings in (
            ("100 settings of three kinds", MIXED),
            ("100 settings of the end alone", ENDING),
        ):
            took_s, worked_s = run(folder, logs, settings, options.jobs)
            print(
                f"{what}: {took_s:.1f} s with {options.jobs} processes, {worked_s:.1f} s of work", flush=True
            )


if __name__ == "__main__":
    main()
