"""When jobs run next, as APScheduler asks for it, made so that a wall clock that leaps years costs nothing.

APScheduler asks for one run after the other until it has caught up with its clock, and keeps all of them: a leap of
sixty days with a job a second is five million. These triggers answer with the next run after *now*, so that whatever
was missed is one run.
"""

from datetime import UTC, datetime, time, timedelta

from apscheduler.triggers.base import BaseTrigger  # type: ignore[import-untyped]

from ullage.daemon.local_time import LocalTime


class Every(BaseTrigger):  # type: ignore[misc]
    """Every so many seconds."""

    def __init__(self, every_s: float, first_s: float) -> None:
        self._every = timedelta(seconds=every_s)
        self._first = timedelta(seconds=first_s)

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        """Return the next run; runs that were missed are left out."""
        if previous_fire_time is None:
            return now + self._first
        following: datetime = previous_fire_time + self._every
        return following if following > now else now + self._every


class Daily(BaseTrigger):  # type: ignore[misc]
    """Once each local day at a time of day, on days of summer time too; or once a week on one weekday (Monday is 0)."""

    def __init__(self, of_day: time, local: LocalTime, weekday: int | None = None) -> None:
        self._of_day = of_day
        self._local = local
        self._weekday = weekday

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        """Return the next run after now and after the previous one."""
        after = now if previous_fire_time is None else max(previous_fire_time, now)
        moment_s = self._local.next_s(self._of_day, after.timestamp())
        while self._weekday is not None and self._local.at(moment_s).weekday() != self._weekday:
            moment_s = self._local.next_s(self._of_day, moment_s)
        return datetime.fromtimestamp(moment_s, UTC)
