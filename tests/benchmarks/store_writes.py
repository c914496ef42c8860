"""Bytes that the store writes in a day, bytes a reading takes at rest, and how fast readings come back.

    python -m tests.benchmarks.store_writes [--days 2] [--vessels 2] [--settle]

Two vessels send temperature and pressure once a second; values are noisy and quantised as a sensor's are (0.01 °C,
1 mbar), times jitter by some milliseconds, a commit follows every 60 s; the detectors' state of each vessel, as large as
after a fortnight, is kept as often as the daemon does. A simulated day passes in some seconds.

Two meters run. `write_bytes` of /proc/self/io is what this process caused to be sent to the device. As root the
database lies on an ext4 file system of its own on a loop device, whose sector count includes what the file system
writes for itself. A day in some seconds is too short for the kernel to write back, every half minute, the times of
the files and the shared index of the write-ahead log; with --settle `syncfs` follows each commit and all of that is
counted, which is what a real day costs: a run of a quarter of an hour by the machine's clock gave the same. The first
day costs more than the next, as the write-ahead log grows to its full length.
"""

import argparse
import ctypes
import os
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import numpy as np

from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.store.store import Store
from ullage.daemon.writer import WriterSettings

START_S = 1_760_000_000.0
MINUTE_S = 60
STATE_BYTES = 130_000
"""A vessel's detectors after a fortnight, packed: as `month` leaves them in its database."""


def minute(rng: np.random.Generator, number: int, vessel: str) -> list[Reading]:
    """Return one minute of one vessel's readings."""
    count = MINUTE_S
    time_s = START_S + number * MINUTE_S + np.arange(count) + rng.normal(0, 0.004, count)
    hours = (time_s - START_S) / 3600
    temperature = np.round(20 + 0.4 * np.sin(hours / 2) + rng.normal(0, 0.03, count), 2)
    pressure = np.round(1.5 + 0.05 * np.sin(hours / 5) + rng.normal(0, 0.003, count), 3)
    readings: list[Reading] = []
    for t, degrees, bar in zip(time_s.tolist(), temperature.tolist(), pressure.tolist(), strict=True):
        readings.append(Reading(vessel, Quantity.TEMPERATURE, t, degrees))
        readings.append(Reading(vessel, Quantity.PRESSURE, t, bar))
    return readings


class Meter:
    """Counts bytes written since it was made.

    Parameters
    ----------
    folder
        Where the database is.
    device
        Name of the loop device below it, if there is one.
    settle
        Have the file system write what it holds back after each commit.
    """

    def __init__(self, folder: Path, device: str | None, *, settle: bool) -> None:
        self._device = device
        self._settle = settle
        self._handle = os.open(folder, os.O_RDONLY)
        self._libc = ctypes.CDLL(None)
        self._libc.syncfs(self._handle)
        self._start = self._process(), self._blocks()

    def committed(self) -> None:
        """Note that a commit was made."""
        if self._settle:
            self._libc.syncfs(self._handle)

    def close(self) -> None:
        """Let go of the file system."""
        os.close(self._handle)

    def read(self) -> tuple[int, int]:
        """Return bytes counted at the process and at the block device."""
        self._libc.syncfs(self._handle)
        return self._process() - self._start[0], self._blocks() - self._start[1]

    def _process(self) -> int:
        lines = Path("/proc/self/io").read_text().splitlines()
        return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes"))

    def _blocks(self) -> int:
        if not self._device:
            return 0
        return int(Path(f"/sys/block/{self._device}/stat").read_text().split()[6]) * 512


@contextmanager
def place() -> Iterator[tuple[Path, str | None]]:
    """Give a folder, on a file system of its own if this may be made."""
    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        device = None
        with suppress(OSError, subprocess.CalledProcessError):
            device = _mount(folder)
        try:
            yield (folder / "fs" if device else folder), (Path(device).name if device else None)
        finally:
            if device:
                subprocess.run(["umount", folder / "fs"], check=True)
                subprocess.run(["losetup", "-d", device], check=True)


def _mount(folder: Path) -> str | None:
    if os.geteuid() != 0:
        return None
    image, mount = folder / "image", folder / "fs"
    with image.open("wb") as file:
        file.truncate(2 * 2**30)
    # the tables of inodes are written now, not by a thread while the meter runs
    options = ["-E", "lazy_itable_init=0,lazy_journal_init=0"]
    subprocess.run(["mkfs.ext4", "-q", *options, image], check=True, capture_output=True)
    made = subprocess.run(["losetup", "-f", "--show", image], check=True, capture_output=True, text=True)
    device = made.stdout.strip()
    mount.mkdir()
    try:
        subprocess.run(["mount", device, mount], check=True, capture_output=True)
    except subprocess.CalledProcessError:
        subprocess.run(["losetup", "-d", device], check=True)
        raise
    return device


def save_state(store: Store, vessel: str, state: bytes) -> None:
    """Keep a state that can't be packed any further."""
    store.save_snapshot(vessel, saved_s=START_S, fingerprint="benchmark", payload=state)


def _resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def write(store: Store, meter: Meter, day: int, vessels: int) -> int:
    """Write the readings of one day and return how many they were."""
    rng = np.random.default_rng(7 + day)
    count = 0
    for number in range(day * 1440, (day + 1) * 1440):
        for vessel in range(vessels):
            store.append(minute(rng, number, f"vessel-{vessel}"))
        count += store.flush()
        meter.committed()
        for vessel in range(vessels):
            if (number * MINUTE_S + vessel * 3600) % round(WriterSettings().snapshot_interval_s) == 0:
                save_state(store, f"vessel-{vessel}", rng.bytes(STATE_BYTES))
                meter.committed()
    return count


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description="Measure what the store writes")
    parser.add_argument("--days", type=int, default=2)
    parser.add_argument("--vessels", type=int, default=2)
    parser.add_argument("--settle", action="store_true")
    options = parser.parse_args()
    with place() as (folder, device):
        file = folder / "ullage.db"
        store = Store.open(f"sqlite:///{file}")
        meter = Meter(folder, device, settle=options.settle)
        resident = _resident_mb()
        count, before = 0, meter.read()
        print("MB written           process      device")
        for day in range(options.days):
            count += write(store, meter, day, options.vessels)
            now = meter.read()
            process, blocks = (total - earlier for total, earlier in zip(now, before, strict=True))
            below = f"{blocks / 1e6:12.1f}" if device else "no loop device"
            print(f"day {day + 1:2}          {process / 1e6:12.1f}{below:>12}", flush=True)
            before = now
        meter.close()
        print(f"readings written              {count:12,}")
        print(f"resident, start and end, MB   {resident:6.1f}{_resident_mb():6.1f}")
        store.retain(now_s=START_S, keep_days=1)  # folds what is left
        start = time.perf_counter()
        found = sum(len(chunk) for chunk in store.iter_samples("vessel-0"))
        taken = time.perf_counter() - start
        print(
            f"one vessel read back          {found:12,} in {taken:.3f} s, {found / taken / 1e6:.1f} million/s"
        )
        start = time.perf_counter()
        store.samples("vessel-0", START_S + 3600, START_S + 7200)
        print(f"an hour of it                 {time.perf_counter() - start:12.4f} s")
        start = time.perf_counter()
        store.latest("vessel-0")
        print(f"the latest of it              {time.perf_counter() - start:12.4f} s")
        store.close()
        print(f"bytes a reading at rest       {file.stat().st_size / count:12.2f}")


if __name__ == "__main__":
    main()
