"""Jobs that come round, and a wall clock that is set while they do."""

import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from datetime import time as TimeOfDay

import pytest
from apscheduler.job import Job as PlannedJob  # type: ignore[import-untyped]
from apscheduler.schedulers.background import BackgroundScheduler  # type: ignore[import-untyped]

from ullage.daemon.clock import ManualClock, SystemClock
from ullage.daemon.local_time import LocalTime
from ullage.daemon.scheduler import Job, Scheduler
from ullage.daemon.ticker import Ticker
from ullage.daemon.triggers import Daily, Every

BERLIN = LocalTime.named("Europe/Berlin")


def _eventually(holds: Callable[[], bool], timeout_s: float = 30.0) -> None:
    deadline_s = time.monotonic() + timeout_s
    while not holds():
        assert time.monotonic() < deadline_s, "it did not come about in time"
        time.sleep(0.005)


def _runs_after_leap(trigger: object, leap: timedelta) -> tuple[int, float]:
    """Return how many runs APScheduler itself makes of a leap of its clock, and the seconds that took."""
    start = datetime(1970, 1, 1, 0, 1, tzinfo=UTC)
    job = PlannedJob.__new__(PlannedJob)
    job.trigger = trigger
    job.next_run_time = trigger.get_next_fire_time(None, start)  # type: ignore[attr-defined]
    began_s = time.thread_time()
    return len(job._get_run_times(start + leap)), time.thread_time() - began_s


@pytest.mark.parametrize(
    "trigger", [Every(60, 60), Daily(TimeOfDay(8), BERLIN), Daily(TimeOfDay(4), BERLIN, 6)]
)
def test_a_leap_of_decades_is_one_run(trigger: object) -> None:
    """A clock that leaps from 1970 to 2026, as on a computer without a clock chip, makes one missed run, at once."""
    runs, took_s = _runs_after_leap(trigger, timedelta(days=20_454))
    assert runs == 1
    assert took_s < 1.0  # the library's own interval of a minute makes 29 million runs of it


def test_intervals_keep_their_beat() -> None:
    """Runs follow each other by the interval; a missed one shifts the beat and is not made up for."""
    trigger = Every(60, 5)
    now = datetime(2026, 5, 1, tzinfo=UTC)
    first = trigger.get_next_fire_time(None, now)
    assert first == now + timedelta(seconds=5)
    assert trigger.get_next_fire_time(first, first) == first + timedelta(seconds=60)
    late = first + timedelta(seconds=200)
    assert trigger.get_next_fire_time(first, late) == late + timedelta(seconds=60)


def test_a_weekly_job_comes_on_its_weekday() -> None:
    """Four Sundays in four weeks, at the local time also after clocks were set forward on 29 March 2026."""
    trigger, when = Daily(TimeOfDay(4, 10), BERLIN, 6), datetime(2026, 3, 16, tzinfo=UTC)
    local = []
    for _ in range(4):
        when = trigger.get_next_fire_time(when, when)
        local.append(BERLIN.at(when.timestamp()))
    assert [(at.day, at.month) for at in local] == [(22, 3), (29, 3), (5, 4), (12, 4)]
    assert {f"{at:%H:%M %a}" for at in local} == {"04:10 Sun"}


def test_jobs_run_and_a_failing_one_stops_nothing(caplog: pytest.LogCaptureFixture) -> None:
    """Both jobs come round; the failure is counted, logged once, and shown."""
    ran = threading.Semaphore(0)

    def fail() -> None:
        raise RuntimeError("no room")

    jobs = [Job(name="good", run=ran.release, every_s=0.05), Job(name="bad", run=fail, every_s=0.05)]
    scheduler = Scheduler(jobs, SystemClock(), BERLIN, shortest_s=0.05)
    scheduler.start()
    assert ran.acquire(timeout=30)
    assert ran.acquire(timeout=30)
    _eventually(lambda: scheduler.health()[1].failures >= 2)
    assert scheduler.loop_health().healthy
    scheduler.stop()
    good, bad = scheduler.health()
    assert (good.error, good.failures, bad.error) == ("", 0, "RuntimeError: no room")
    assert good.age_s is not None
    assert [record.message for record in caplog.records].count("job failed") == 1
    runs = good.runs
    time.sleep(0.15)  # three intervals in which nothing may happen
    assert scheduler.health()[0].runs == runs


def test_a_job_that_hangs_delays_no_other_and_is_not_started_twice() -> None:
    """One run at a time of each job, and the others go on."""
    release, entered, ran = threading.Event(), threading.Semaphore(0), threading.Semaphore(0)

    def hang() -> None:
        entered.release()
        release.wait(120)

    jobs = [Job(name="hung", run=hang, every_s=0.05), Job(name="good", run=ran.release, every_s=0.05)]
    scheduler = Scheduler(jobs, SystemClock(), BERLIN, shortest_s=0.05)
    scheduler.start()
    assert entered.acquire(timeout=30)
    for _ in range(4):
        assert ran.acquire(timeout=30)
    assert not entered.acquire(blocking=False)
    assert scheduler.health()[0].running_s is not None
    release.set()
    scheduler.stop()


@pytest.mark.parametrize("step_s", [-3600.0, 1_780_000_000.0])
def test_a_clock_that_is_set_has_all_jobs_planned_anew(
    step_s: float, caplog: pytest.LogCaptureFixture
) -> None:
    """Set back by an hour or forward by decades, jobs go on by their interval; a small correction changes nothing."""
    clock, ran = ManualClock(1_780_000_000.0), threading.Semaphore(0)
    scheduler = Scheduler([Job(name="good", run=ran.release, every_s=0.1)], clock, BERLIN, shortest_s=0.02)
    scheduler.start()
    clock.step(20)
    assert ran.acquire(timeout=30)
    anew = "the clock was set, jobs are planned anew"
    assert anew not in caplog.messages
    clock.step(step_s)
    _eventually(lambda: anew in caplog.messages)
    while ran.acquire(blocking=False):
        pass  # runs of before
    assert ran.acquire(timeout=30)
    scheduler.stop()
    assert caplog.messages.count(anew) == 1


def test_planning_anew_cures_a_clock_set_back() -> None:
    """A job that by the library's own reckoning waits for an hour is due within its interval once planned anew."""
    planner = BackgroundScheduler(timezone="UTC")
    planner.add_job(print, Every(60, 3660), id="job")  # as left behind by a clock set back an hour
    planner.start(paused=True)
    planner.reschedule_job("job", trigger=Every(60, 60))
    left = planner.get_job("job").next_run_time - datetime.now(UTC)
    planner.shutdown()
    assert timedelta(seconds=50) < left <= timedelta(seconds=60)


def test_overdue_jobs_are_seen_by_the_watchdog() -> None:
    """An interval job that has not run for three intervals and a minute makes the scheduler unhealthy."""
    clock = ManualClock()
    scheduler = Scheduler([Job(name="slow", run=print, every_s=3600)], clock, BERLIN)
    scheduler.start()
    clock.advance(3 * 3600 + 59)
    assert not scheduler.health()[0].overdue
    clock.advance(2)
    assert scheduler.health()[0].overdue
    assert not scheduler.loop_health().healthy
    scheduler._records["slow"].run()
    assert not scheduler.health()[0].overdue
    scheduler.stop()


@pytest.mark.parametrize(
    ("jobs", "words"),
    [
        ([Job(name="a", run=print, every_s=59)], "at least 60"),
        ([Job(name="a", run=print, every_s=60), Job(name="a", run=print, every_s=60)], "share a name"),
    ],
)
def test_plans_that_can_not_be_are_refused(jobs: list[Job], words: str) -> None:
    """Jobs by the second belong elsewhere, and names tell jobs apart."""
    with pytest.raises(ValueError, match=words):
        Scheduler(jobs, ManualClock(), BERLIN)


def test_a_job_needs_a_time() -> None:
    """Either an interval or a time of day."""
    with pytest.raises(ValueError, match="every_s or at"):
        Job(name="a", run=print)


def test_a_ticker_outlives_its_failures(caplog: pytest.LogCaptureFixture) -> None:
    """It goes on after a failure, logs the same one once, and stops when told."""
    calls = threading.Semaphore(0)

    def fail() -> None:
        calls.release()
        raise OSError("no room")

    ticker = Ticker("test", 0.01, fail, SystemClock())
    assert not ticker.loop_health().healthy
    ticker.start()
    for _ in range(3):
        assert calls.acquire(timeout=30)
    assert ticker.loop_health().healthy
    ticker.stop()
    assert not ticker.loop_health().healthy
    assert [record.message for record in caplog.records] == ["periodic work failed"]


def test_a_thread_of_somebody_else_is_not_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """While a configuration is taken over a source starts beside it: when that thread ends the scheduler is well."""
    leave = threading.Event()
    stranger = threading.Thread(target=leave.wait, name="source-cellar")
    start = BackgroundScheduler.start

    def start_beside(planner: BackgroundScheduler) -> None:
        start(planner)
        stranger.start()

    monkeypatch.setattr(BackgroundScheduler, "start", start_beside)
    job = Job(name="nothing", run=lambda: None, every_s=3600)
    scheduler = Scheduler([job], SystemClock(), LocalTime.named("UTC"))
    scheduler.start()
    try:
        leave.set()
        stranger.join(5)
        assert scheduler.loop_health().alive
    finally:
        scheduler.stop()
    assert scheduler.loop_health().alive, "ended on purpose is not dead"
