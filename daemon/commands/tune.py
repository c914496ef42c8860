"""`ullage tune`: what other settings would have told of recorded batches, and which of them would have been best."""

import argparse
import os
from collections.abc import Sequence
from pathlib import Path

from ullage.adapters.errors import ConfigError, DataError
from ullage.daemon.commands.replay import log_names
from ullage.daemon.local_time import LocalTime
from ullage.daemon.places import config_path
from ullage.daemon.progress import ProgressLine
from ullage.daemon.settings import Config, load
from ullage.daemon.spared import refuse_spared
from ullage.daemon.tune.grid import fragment, grid, nearest_first
from ullage.daemon.tune.score import best, parse_cost
from ullage.daemon.tune.table import judge, lines
from ullage.daemon.tune.work import LogJob, tune


def handle(options: argparse.Namespace) -> int:
    """Tune."""
    config = load(config_path(options.config, os.environ), os.environ, live=False)
    variants = nearest_first(grid(options.set), config.vessels[0].detectors)
    cost = parse_cost(options.cost)
    if options.jobs < 0:
        raise ConfigError("--jobs", f"{options.jobs} must not be below 0")
    if options.write:
        refuse_spared("--write", options.write, config, options.log)
    jobs = _jobs(options, config)
    progress = ProgressLine()
    # one log is condensed by one process; the settings of one log are tried by all of them
    processes = options.jobs or len(os.sched_getaffinity(0))
    tried = tune(
        jobs,
        variants,
        processes,
        lambda done, known: progress.show(_bar(done, known, len(variants), len(jobs))),
    )
    progress.clear()
    zone = LocalTime.named(config.timezone)
    for line in lines(tried, variants, cost, zone, everything=options.all):
        print(line)
    if any(one.batch.truth is not None for one in tried):
        found, _ = judge(tried, cost)
        text = fragment(variants[best(found).number])
        print(f"\nAs configuration:\n{text}", end="")
        if options.write:
            _write(Path(options.write), text)
    elif options.write:
        raise DataError("--write", "no batch has a truth, so no setting is the best", "add LOG.truth.json")
    return 0


def _jobs(options: argparse.Namespace, config: Config) -> tuple[LogJob, ...]:
    if options.from_store:
        if options.log:
            raise ConfigError("--from-store", "takes the place of log files", "give the one or the other")
        from ullage.daemon.tune.stored import stored_jobs

        return stored_jobs(config, options.from_store, options.batch)
    if not options.log:
        raise ConfigError("LOG", "is missing", "name one or more logs, or --from-store VESSEL")
    names = tuple(log_names(options.vessel).items())
    missing = [log for log in options.log if not Path(log).is_file()]
    if missing:
        raise DataError(missing[0], "can't be read (no such file)")
    return tuple(
        LogJob(name=Path(log).name, path=Path(log), log=None, vessels=config.vessels, names=names)
        for log in _distinct(options.log)
    )


def _distinct(logs: Sequence[str]) -> Sequence[str]:
    known = {Path(log).resolve(): log for log in reversed(logs)}
    return list(reversed(known.values()))


def _bar(done: int, known: int, settings: int, logs: int) -> str:
    filled = round(24 * done / max(known, 1))
    return f"{settings} settings over {logs} log{'s' * (logs != 1)}  [{'#' * filled}{'.' * (24 - filled)}] {done / max(known, 1):4.0%}"


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise DataError(str(path), f"can't be written ({error.strerror})", "check the folder") from None
    print(f"{path} written")
