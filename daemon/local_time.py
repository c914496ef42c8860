"""Local time for people: what the clock on the wall shows at a moment, and at which moment it shows a time of day."""

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo

from ullage.adapters.errors import ConfigError


def parse_time_of_day(text: str) -> time:
    """Return "07:30" as a time of day.

    Raises
    ------
    ValueError
        If it is not HH:MM within a day.
    """
    hours, colon, minutes = text.strip().partition(":")
    if not (colon and hours.isdecimal() and minutes.isdecimal() and len(minutes) == 2):
        raise ValueError(f'time of day "{text}" must be written as HH:MM, such as 07:30')
    if int(hours) > 23 or int(minutes) > 59:
        raise ValueError(f'time of day "{text}" must lie between 00:00 and 23:59')
    return time(int(hours), int(minutes))


@dataclass(frozen=True, slots=True)
class LocalTime:
    """A time zone; without a name the machine's own."""

    zone: tzinfo | None = None

    @classmethod
    def named(cls, name: str = "") -> "LocalTime":
        """Return the zone of that IANA name, the machine's own for an empty one.

        Raises
        ------
        ConfigError
            If no such zone is known here.
        """
        if not name:
            return cls()
        from zoneinfo import ZoneInfo

        try:
            return cls(ZoneInfo(name))
        except (OSError, ValueError, LookupError) as error:
            hint = "write an IANA name such as Europe/Berlin, or install the system's time zone data"
            raise ConfigError("timezone", f'"{name}" is not known here', hint) from error

    def at(self, moment_s: float) -> datetime:
        """Return the local date and time at `moment_s` (Unix seconds)."""
        return datetime.fromtimestamp(moment_s, self.zone) if self.zone else _system(moment_s)

    def moment_s(self, day: date, of_day: time) -> float:
        """Return the moment at which local clocks show `of_day` on `day`.

        Where they show it twice the first counts; where they skip it, the moment at which it would have been shown
        had they not been set forward.
        """
        naive = datetime.combine(day, of_day)
        return naive.replace(tzinfo=self.zone).timestamp()

    def next_s(self, of_day: time, after_s: float) -> float:
        """Return the first moment after `after_s` at which the time of day is `of_day`; once a day, come what may."""
        today = self.at(after_s).date()
        for days in (0, 1, 2):
            moment_s = self.moment_s(today + timedelta(days=days), of_day)
            if moment_s > after_s:
                return moment_s
        raise AssertionError("two days hold every time of day")


def _system(moment_s: float) -> datetime:
    return datetime.fromtimestamp(moment_s).astimezone()
