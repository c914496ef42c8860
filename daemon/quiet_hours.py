"""The hours in which only critical messages may ring."""

from dataclasses import dataclass
from datetime import time, timedelta

from ullage.daemon.local_time import LocalTime, parse_time_of_day


def parse_span(text: str) -> tuple[time, time]:
    """Return "22:00-07:00" as start and end.

    Raises
    ------
    ValueError
        If it is no such span, or an empty one.
    """
    start, dash, end = text.partition("-")
    if not dash:
        raise ValueError(f'quiet hours "{text}" must be written as HH:MM-HH:MM, such as 22:00-07:00')
    span = parse_time_of_day(start), parse_time_of_day(end)
    if span[0] == span[1]:
        raise ValueError(f'quiet hours "{text}" start and end at the same time; leave the key out for none')
    return span


@dataclass(frozen=True, slots=True)
class QuietHours:
    """One quiet span a day, across midnight if it starts later than it ends.

    Each night is a span between two moments, so that a night on which clocks are set has one start and one end.

    Examples
    --------
    >>> quiet = QuietHours.parse("22:00-07:00", LocalTime.named("UTC"))
    >>> quiet.until_s(23 * 3600.0) == 31 * 3600.0  # 23:00 on the first day of Unix time
    True
    >>> quiet.until_s(12 * 3600.0) is None
    True
    """

    span: tuple[time, time] | None
    local: LocalTime

    @classmethod
    def parse(cls, text: str, local: LocalTime) -> "QuietHours":
        """Return quiet hours from "22:00-07:00"; none from an empty text.

        Raises
        ------
        ValueError
            If it is no such span.
        """
        return cls(parse_span(text) if text else None, local)

    def until_s(self, moment_s: float) -> float | None:
        """Return when the quiet span around `moment_s` ends, or None if it is not quiet then."""
        if self.span is None:
            return None
        start, end = self.span
        today = self.local.at(moment_s).date()
        for day in (today - timedelta(days=1), today):
            last_day = day if start < end else day + timedelta(days=1)
            end_s = self.local.moment_s(last_day, end)
            if self.local.moment_s(day, start) <= moment_s < end_s:
                return end_s
        return None
