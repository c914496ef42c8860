"""Everything that comes round by itself in the running daemon, composed: what, how often, and what it calls."""

from collections.abc import Callable, Sequence

from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.beacon import Beacon
from ullage.daemon.clock import Clock
from ullage.daemon.health import LoopHealth
from ullage.daemon.local_time import LocalTime, parse_time_of_day
from ullage.daemon.makeshift import DAMAGED
from ullage.daemon.notifier import Notifier
from ullage.daemon.schedule_settings import ScheduleSettings
from ullage.daemon.scheduler import Job, JobHealth, Scheduler
from ullage.daemon.ticker import Ticker

DIGEST = "daily"
_SUNDAY = 6


class Upkeep:
    """The scheduler and the desk's ticker together: one part to start, stop and ask.

    Parameters
    ----------
    notifier
        Asked for overdue critical messages; None if nobody is told.
    retain
        Thins out old readings.
    check_database
        Looks for damage; returns what it found in a sentence, None if all is well.
    daily_line
        Returns the line of the daily digest; an empty one is not sent.
    healthy
        Whether every loop goes round. The outside watcher hears nothing unless it does, the desk writes what it does,
        and at least one target takes messages.
    keep_days
        Age at which messages and the log of alarms are deleted.
    check_silence
        Lets the detectors know that time passes though nothing arrives; None where the pipeline sees to that itself.
    more
        Other jobs.
    house
        Whether what is to be done once for the whole installation is to be done here; asked each time.

    Raises
    ------
    ConfigError
        If the outside watcher's address is missing or no web address.
    """

    def __init__(
        self,
        settings: ScheduleSettings,
        *,
        desk: AlarmDesk,
        notifier: Notifier | None,
        clock: Clock,
        local: LocalTime,
        retain: Callable[[], object],
        check_database: Callable[[], str | None],
        daily_line: Callable[[], str],
        healthy: Callable[[], bool],
        keep_days: float,
        check_silence: Callable[[], object] | None = None,
        more: Sequence[Job] = (),
        house: Callable[[], bool] = lambda: True,
    ) -> None:
        self._house = house
        self._desk = desk
        self._notifier = notifier
        self._healthy = healthy
        self._clock = clock
        self._local = local
        self._retain = retain
        self._check_database = check_database
        self._daily_line = daily_line
        self._keep_days = keep_days
        self._settings = settings
        self.scheduler = Scheduler([*self._own(), *more, *self._wanted(check_silence)], clock, local)
        self._ticker = Ticker("alarm desk", settings.tick_s, desk.tick, clock)

    def _own(self) -> list[Job]:
        """Return the jobs that are always there."""
        retention_at = parse_time_of_day(self._settings.retention_at)
        return [
            Job(name="reminders", run=self._desk.remind, every_s=60),
            Job(name="retention", run=self._keep_house, at=retention_at),
            Job(name="integrity", run=self._look_for_damage, at=parse_time_of_day("04:10"), weekday=_SUNDAY),
        ]

    def _wanted(self, check_silence: Callable[[], object] | None) -> list[Job]:
        """Return the jobs that depend on the configuration."""
        jobs = []
        if check_silence is not None:
            jobs.append(Job(name="silence", run=check_silence, every_s=60))
        if self._notifier is not None:
            jobs.append(Job(name="overdue", run=self._notifier.check_overdue, every_s=60))
        if self._settings.daily_digest:
            digest_at = parse_time_of_day(self._settings.daily_digest)
            jobs.append(Job(name="digest", run=self.digest, at=digest_at))
        heartbeat = self._settings.heartbeat
        if heartbeat is not None:
            beacon = Beacon(heartbeat, self.chain_works)
            jobs.append(Job(name="heartbeat", run=beacon.beat, every_s=heartbeat.every_s, first_s=5.0))
        return jobs

    def start(self) -> None:
        """Start everything."""
        self._ticker.start()
        self.scheduler.start()

    def stop(self) -> None:
        """Stop everything, and do once more what the desk's ticker does, so that nothing waits for the next start."""
        self.scheduler.stop()
        self._ticker.stop()
        self._desk.tick()

    def health(self) -> tuple[JobHealth, ...]:
        """Tell how each job is doing."""
        return self.scheduler.health()

    def loops(self) -> tuple[Callable[[], LoopHealth], ...]:
        """Return what the watchdog asks."""
        return self.scheduler.loop_health, self._ticker.loop_health

    def chain_works(self) -> bool:
        """Tell whether all that stands between a reading and a phone works."""
        if not self._healthy() or not self._desk.health().storing:
            return False
        if self._notifier is None:
            return True
        telling = self._notifier.health()
        return not telling.overdue and any(target.working for target in telling.targets)

    def digest(self) -> None:
        """Send the daily line, once for each day however often it is asked for."""
        line = self._daily_line() if self._house() else ""
        if line:
            at = parse_time_of_day(self._settings.daily_digest or "08:00")
            today = self._local.at(self._clock.wall_s()).date()
            self._desk.announce(DIGEST, line, time_s=self._local.moment_s(today, at))

    def _keep_house(self) -> None:
        if not self._house():
            return
        self._retain()
        self._desk.prune(self._keep_days)

    def _look_for_damage(self) -> None:
        found = self._check_database()
        text = (
            f"The database is damaged ({found}). A new one takes its place; the damaged file is kept."
            if found
            else "It is whole."
        )
        self._desk.report(DAMAGED, found is not None, text)
