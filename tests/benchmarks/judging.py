"""How many readings all detectors together take in a second, in blocks: at 1 Hz, every 10 s and every minute.

    python -m tests.benchmarks.judging [--days 10] [--repeat 3]

One vessel and the log of `log_reading`, judged as a replay judges it; processor time, medians. The aim
is a million readings a second. At 1 Hz most readings only go into their minute; the fewer there are, the more of the time goes
into the looks that come by the hour, so the time that a day of one vessel takes is printed beside it.
"""

import argparse
import statistics
import tempfile
import time
from pathlib import Path

import numpy as np

from tests.benchmarks.log_reading import write
from ullage.adapters.recorded_log import read_log
from ullage.daemon.replaying import BLOCK_ROWS
from ullage.detectors.registry import compose
from ullage.detectors.samples import Samples
from ullage.detectors.vessel import Vessel
from ullage.detectors.watch import VesselWatch

EVERY_S = (1, 10, 60)
VESSEL = Vessel(
    name="bench",
    total_volume_l=23.0,
    beer_volume_l=19.0,
    rated_pressure_bar=2.5,
    valve_pressure_bar=1.5,
    yeast_temperature_c=(16.0, 24.0),
)


def judge_s(samples: Samples) -> float:
    """Return the processor time in which all detectors judge a vessel's samples, s."""
    watch = VesselWatch(VESSEL, compose({}))
    begun_s = time.process_time()
    for start in range(0, len(samples), BLOCK_ROWS):
        watch.update(samples.cut(start, min(start + BLOCK_ROWS, len(samples))))
    return time.process_time() - begun_s


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=float, default=10)
    parser.add_argument("--repeat", type=int, default=3)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        (log,) = read_log(write(Path(folder), options.days, "plain")).vessels.values()
    print(f"{options.days:g} days of one vessel, temperature and pressure; medians of {options.repeat}")
    print("a reading every    readings    million a second    ms a day")
    for every_s in EVERY_S:
        kept = np.floor(log.time_s) % every_s == 0
        samples = Samples(time_s=log.time_s[kept], kind=log.kind[kept], value=log.value[kept])
        took_s = statistics.median(judge_s(samples) for _ in range(options.repeat))
        rate, day_ms = len(samples) / took_s / 1e6, took_s / options.days * 1e3
        print(f"{every_s:>11} s {len(samples):>15,} {rate:>19.2f} {day_ms:>11.0f}")


if __name__ == "__main__":
    main()
