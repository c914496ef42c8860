"""Work that comes round by the minute, the day or the week, on a clock that may be set at any moment.

APScheduler counts by the wall clock. A watcher compares that with the monotonic clock each second and plans all jobs
anew when the wall clock has been set; the triggers (`ullage.daemon.triggers`) see to it that a leap of years costs
one run and no more.
"""

import logging
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import time as TimeOfDay
from typing import Any

from ullage.daemon.clock import Clock
from ullage.daemon.health import LoopHealth
from ullage.daemon.local_time import LocalTime
from ullage.daemon.ticker import Ticker

log = logging.getLogger(__name__)

SHORTEST_S = 60.0
"""Shortest interval of a job; what is more frequent belongs to a `Ticker`."""
STEP_S = 30.0
"""By how much the wall clock must have been set for the jobs to be planned anew."""
_WORKERS = 8
_OVERDUE_ROUNDS = 3
_PLANNERS_THREAD = "APScheduler"


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """Something to do again and again: every `every_s` seconds, or at a local time of day (on one weekday)."""

    name: str
    run: Callable[[], object]
    every_s: float | None = None
    first_s: float | None = None
    """Seconds until the first run of an interval job; one interval unless given."""
    at: TimeOfDay | None = None
    weekday: int | None = None
    """0 for Monday; every day unless given."""

    def __post_init__(self) -> None:
        if (self.every_s is None) == (self.at is None):
            raise ValueError(f"job {self.name} needs either every_s or at")


@dataclass(frozen=True, slots=True, kw_only=True)
class JobHealth:
    """How one job is doing."""

    name: str
    runs: int
    failures: int
    age_s: float | None
    """Seconds since its last run ended; None if there was none."""
    running_s: float | None
    """Seconds since the run that goes on began; None if none does."""
    error: str
    """What went wrong in the last run; empty if nothing did."""
    overdue: bool
    """Whether an interval job has not ended a run for three intervals and a minute."""


class _Record:
    """What is known of one job; written by its runs, read by anybody."""

    def __init__(self, job: Job, clock: Clock) -> None:
        self.job = job
        self._clock = clock
        self._lock = threading.Lock()
        self._runs = 0
        self._failures = 0
        self._error = ""
        self._planned_s = clock.monotonic_s()
        self._ended_s: float | None = None
        self._began_s: float | None = None

    def run(self) -> None:
        """Run the job; a failure is logged once until it changes, counted, and stops nothing."""
        with self._lock:
            self._began_s = self._clock.monotonic_s()
        error = ""
        try:
            self.job.run()
        except Exception as failure:  # noqa: BLE001 - the next run may do better
            error = f"{type(failure).__name__}: {failure}"
        with self._lock:
            changed, self._error = error != self._error, error
            self._runs += 1
            self._failures += bool(error)
            self._ended_s, self._began_s = self._clock.monotonic_s(), None
        if changed and error:
            log.error("job failed", extra={"job": self.job.name, "error": error})
        elif changed:
            log.info("job works again", extra={"job": self.job.name})

    def health(self) -> JobHealth:
        """Tell how the job is doing."""
        with self._lock:
            now_s = self._clock.monotonic_s()
            since_s = now_s - (self._planned_s if self._ended_s is None else self._ended_s)
            every_s = self.job.every_s
            first_s = (self.job.first_s or 0.0) if self._ended_s is None else 0.0
            return JobHealth(
                name=self.job.name,
                runs=self._runs,
                failures=self._failures,
                age_s=None if self._ended_s is None else now_s - self._ended_s,
                running_s=None if self._began_s is None else now_s - self._began_s,
                error=self._error,
                overdue=every_s is not None and since_s > first_s + _OVERDUE_ROUNDS * every_s + 60.0,
            )


class Scheduler:
    """Runs jobs in threads of its own.

    Parameters
    ----------
    jobs
        What to do and when.
    clock
        Its two hands tell when the wall clock was set.
    local
        Zone of the times of day.
    shortest_s
        Shortest interval allowed; lower in tests alone.

    Raises
    ------
    ValueError
        If two jobs share a name or one is planned too often.
    """

    def __init__(
        self, jobs: Sequence[Job], clock: Clock, local: LocalTime, *, shortest_s: float = SHORTEST_S
    ) -> None:
        for job in jobs:
            if job.every_s is not None and job.every_s < shortest_s:
                raise ValueError(f"job {job.name}: every_s {job.every_s:g} must be at least {shortest_s:g}")
        self._records = {job.name: _Record(job, clock) for job in jobs}
        if len(self._records) != len(jobs):
            raise ValueError("two jobs share a name")
        self._clock = clock
        self._local = local
        self._offset_s = 0.0
        self._planner: Any = None
        self._threads: tuple[threading.Thread, ...] = ()
        """The planner's own, which nobody else minds."""
        self._watcher = Ticker("scheduler", min(1.0, shortest_s), self._watch, clock)

    def start(self) -> None:
        """Plan the jobs and start the threads."""
        from apscheduler.executors.pool import ThreadPoolExecutor  # type: ignore[import-untyped]
        from apscheduler.schedulers.background import BackgroundScheduler  # type: ignore[import-untyped]

        self._planner = BackgroundScheduler(
            timezone="UTC",
            daemon=True,
            executors={"default": ThreadPoolExecutor(_WORKERS)},
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
        )
        self._offset_s = self._clock.wall_s() - self._clock.monotonic_s()
        for name, record in self._records.items():
            self._planner.add_job(record.run, self._trigger(record.job), id=name, name=name)
        others = set(threading.enumerate())
        self._planner.start()
        # by its name, too: another part of the program may start a thread at this moment, which ends as it likes
        new = set(threading.enumerate()) - others
        self._threads = tuple(thread for thread in new if thread.name == _PLANNERS_THREAD)
        self._watcher.start()

    def stop(self, timeout_s: float = 5.0) -> None:
        """Start no more jobs and wait for those that run, at most `timeout_s` seconds."""
        self._watcher.stop()
        planner, self._planner = self._planner, None  # whoever asks meanwhile finds nothing that should run
        if planner is not None:
            planner.shutdown(wait=False)
            deadline_s = time.monotonic() + timeout_s
            while time.monotonic() < deadline_s and any(job.running_s is not None for job in self.health()):
                time.sleep(0.01)

    def health(self) -> tuple[JobHealth, ...]:
        """Tell how each job is doing."""
        return tuple(record.health() for record in self._records.values())

    def loop_health(self) -> LoopHealth:
        """Tell, for the watchdog, whether jobs come round."""
        if self._planner is not None and not all(thread.is_alive() for thread in self._threads):
            return LoopHealth(name="scheduler", healthy=False, alive=False, detail="the thread does not run")
        watcher = self._watcher.loop_health()
        late = [job.name for job in self.health() if job.overdue]
        if not watcher.healthy or not late:
            return watcher
        return LoopHealth(name="scheduler", healthy=False, detail=f"overdue: {', '.join(late)}")

    def _trigger(self, job: Job) -> Any:
        from ullage.daemon.triggers import Daily, Every

        if job.at is not None:
            return Daily(job.at, self._local, job.weekday)
        assert job.every_s is not None
        return Every(job.every_s, job.every_s if job.first_s is None else job.first_s)

    def _watch(self) -> None:
        offset_s = self._clock.wall_s() - self._clock.monotonic_s()
        step_s = offset_s - self._offset_s
        if abs(step_s) <= STEP_S:
            return
        self._offset_s = offset_s
        log.warning("the clock was set, jobs are planned anew", extra={"step_s": round(step_s)})
        for name, record in self._records.items():
            self._planner.reschedule_job(name, trigger=self._trigger(record.job))
