"""The work of a tuning, over several processes: each log is read and condensed once, then its settings are tried.

What a worker hands back is small (ten-minute frames and findings), so no raw reading crosses a process border. Workers
are fresh processes rather than forks: they share nothing, so nothing can be locked in them.
"""

import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ullage.adapters.log_format import VesselLog
from ullage.adapters.recorded_log import read_log
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.replaying import Replayed, pair_vessels
from ullage.daemon.tune.grid import Variant
from ullage.daemon.tune.score import Outcome, outcome
from ullage.daemon.tune.trial import Condensed, condense, replay_whole, try_variants
from ullage.daemon.tune.truth import Truth, truth_of

_CHUNK = 25
"""Settings tried in one task: enough to share their fits, few enough to spread over the cores."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LogJob:
    """One log: a file, or one that was taken from the database."""

    name: str
    path: Path | None
    log: VesselLog | None
    vessels: tuple[WatchedVessel, ...]
    names: tuple[tuple[str, str], ...]
    """Name in the log to name in the configuration."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """One vessel of one log, ready to be tried."""

    name: str
    start_s: float
    watched: WatchedVessel
    truth: Truth | None
    condensed: Condensed
    readings: int
    bad_rows: int
    whole: tuple[Outcome, ...] = ()
    """Outcomes of whole replays, where the shortcut was not sound."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """A batch with the outcome of every setting."""

    batch: Batch
    outcomes: tuple[Outcome, ...]


Progress = Callable[[int, int], None]
"""Called with tasks done and tasks known of."""


def condense_job(job: LogJob, variants: Sequence[Variant]) -> tuple[Batch, ...]:
    """Read one log, replay it once, and return each vessel of it condensed."""
    if job.path is not None:
        log = read_log(job.path)
        bad = log.bad_rows.total
        pairs = pair_vessels(log, job.vessels, dict(job.names))
    else:
        assert job.log is not None
        bad, pairs = 0, (Replayed(log=job.log, watched=job.vessels[0]),)
    found = []
    for pair, condensed in zip(pairs, condense(pairs, variants), strict=True):
        truth = truth_of(job.path, pair.log)
        whole = () if condensed.sound else _whole(pair, pairs, variants, truth)
        name = job.name if len(pairs) == 1 else f"{job.name}: {pair.log.name}"
        found.append(
            Batch(
                name=name,
                start_s=_start_s(pair.log),
                watched=pair.watched,
                truth=truth,
                condensed=condensed,
                readings=len(pair.log),
                bad_rows=bad,
                whole=whole,
            )
        )
    return tuple(found)


def try_batch(batch: Batch, variants: Sequence[Variant], some: Sequence[Variant]) -> tuple[Outcome, ...]:
    """Return the outcomes of some settings on a batch."""
    tried = try_variants(batch.condensed, batch.watched, variants, some)
    return tuple(outcome(findings, batch.truth) for findings in tried)


def tune(
    jobs: Sequence[LogJob], variants: Sequence[Variant], processes: int, progress: Progress
) -> tuple[Tried, ...]:
    """Return every batch with the outcome of every setting, in the order of the logs."""
    if processes <= 1:
        batches = [batch for job in jobs for batch in condense_job(job, variants)]
        return tuple(Tried(batch=b, outcomes=b.whole or try_batch(b, variants, variants)) for b in batches)
    os.environ.setdefault(
        "OPENBLAS_NUM_THREADS", "1"
    )  # for the workers: they are as many as the cores already
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=context) as pool:
        return _spread(pool, jobs, variants, progress)


def _spread(
    pool: ProcessPoolExecutor, jobs: Sequence[LogJob], variants: Sequence[Variant], progress: Progress
) -> tuple[Tried, ...]:
    """Condense all logs, and try each as soon as it is condensed."""
    chunks = [variants[at : at + _CHUNK] for at in range(0, len(variants), _CHUNK)]
    batches: dict[int, tuple[Batch, ...]] = {}
    outcomes: dict[tuple[int, int, int], tuple[Outcome, ...]] = {}
    reading: dict[Future[tuple[Batch, ...]], int] = {
        pool.submit(condense_job, job, variants): index for index, job in enumerate(jobs)
    }
    trying: dict[Future[tuple[Outcome, ...]], tuple[int, int, int]] = {}
    known = len(jobs) * (1 + len(chunks))
    try:
        while reading or trying:
            everything: list[Future[Any]] = [*reading, *trying]
            wait(everything, return_when=FIRST_COMPLETED)
            for read in [future for future in reading if future.done()]:
                index = reading.pop(read)
                batches[index] = read.result()
                for place, batch in enumerate(batches[index]):
                    for number, chunk in enumerate(chunks if not batch.whole else ()):
                        trying[pool.submit(try_batch, batch, variants, chunk)] = (index, place, number)
            for tried in [future for future in trying if future.done()]:
                outcomes[trying.pop(tried)] = tried.result()
            done = len(batches) + len(outcomes)
            progress(done, max(known, done + len(reading) + len(trying)))
    except BaseException:
        pool.shutdown(wait=False, cancel_futures=True)
        raise
    return tuple(_gathered(batches, outcomes, len(chunks)))


def _gathered(
    batches: dict[int, tuple[Batch, ...]],
    outcomes: dict[tuple[int, int, int], tuple[Outcome, ...]],
    chunks: int,
) -> Iterator[Tried]:
    for index in sorted(batches):
        for place, batch in enumerate(batches[index]):
            parts = [outcomes[index, place, number] for number in range(chunks)] if not batch.whole else []
            yield Tried(batch=batch, outcomes=batch.whole or tuple(one for part in parts for one in part))


def _whole(
    pair: Replayed, pairs: Sequence[Replayed], variants: Sequence[Variant], truth: Truth | None
) -> tuple[Outcome, ...]:
    return tuple(outcome(replay_whole(pair, pairs, variant), truth) for variant in variants)


def _start_s(log: VesselLog) -> float:
    times = [*log.time_s[:1].tolist(), *(entry.time_s for entry in log.entries[:1])]
    return min(times, default=0.0)
