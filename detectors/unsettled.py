"""A shut-valve test whose hours are over while nothing is settled: what is known so far, told at growing intervals.

What beer gives off beyond saturation dies away with a time constant of hours, in a tall quiet vessel of two days; a last sugar
ferments as slowly. Six hours can't tell the two apart. Time does, and while the rated limit is far it costs nothing: little
climbs, and what stays in the beer carbonates it. A brewer who opened the valve would throw the evidence away and begin anew. So
he is told to leave it shut, when the pressure could reach the limit, and when the next word comes; and to open it in time.
"""

import math

from ullage.detectors import ending_told as told
from ullage.detectors.finding import Finding
from ullage.detectors.production import Production
from ullage.detectors.record import Record

LATER_H = 1.5
"""So long after the hours that were asked for the first word comes: most ends have proved themselves by then."""
LONGEST_H = 48.0
"""Most from word to word; until then each comes after twice the time."""
FAR_H, NEAR_H = 24.0, 12.0
"""A limit that is this far by the steepest climb that is possible is far: nobody need look at night. Nearer than the latter, the
valve has to be opened."""
AGAIN_H = 48.0
"""What is told to go where the limit ends a test: a day passes before the next is asked for."""
DIES_AWAY = 0.9
"""Last third of a day, as a share of the one before, by which a release of 76 h and a slower fermentation are told apart."""
LEAST_H = 3.0
"""A rate over less says nothing."""


class Unsettled:
    """Keeps which test was told of, and when the next word on it is due."""

    def __init__(self) -> None:
        self._shut_s = -math.inf
        self._due_s = -math.inf
        self._told_g_per_l_day = math.nan

    def told_of(self, shut_s: float) -> bool:
        """Tell whether the test that began at a moment (s) was told of."""
        return self._shut_s == shut_s

    def word(self, record: Record, start_s: float, ask_hours: float) -> Finding | None:
        """Return what is known of a test, with the advice to open the valve if the limit draws near; None if no word is due."""
        shut_h = (record.now_s - start_s) / 3600
        climb = _lately(record, start_s, shut_h)
        if climb is None or climb.high < 0 or shut_h < ask_hours:
            return None  # a content that falls is the leak's to tell of
        room_h = room_by_h(record, climb)
        if room_h < NEAR_H:
            return told.no_room(record, climb, shut_h, room_h, AGAIN_H)
        again = self.told_of(start_s)
        if record.now_s < (self._due_s if again else start_s + (ask_hours + LATER_H) * 3600):
            return None
        before = self._told_g_per_l_day if again else math.nan
        next_h = math.floor(min(shut_h, LONGEST_H, room_h / 2))
        self._shut_s, self._due_s = start_s, record.now_s + next_h * 3600
        self._told_g_per_l_day = climb.rate_g_per_l_day
        return told.not_settled(record, climb, shut_h, before, room_h, next_h)


def far_from_limit(record: Record, start_s: float) -> bool:
    """Tell whether a vessel that was shut at a moment (s) stays below its rated limit for a day and more."""
    climb = _lately(record, start_s, (record.now_s - start_s) / 3600)
    return climb is not None and room_by_h(record, climb) >= FAR_H


def dies_away(record: Record, start_s: float) -> bool:
    """Tell whether the last third of a test shows clearly less than the one before, as of what beer gives off for two or three days.

    In the first third what was quick to come is in it as well.
    """
    third_h = (record.now_s - start_s) / 3 / 3600
    both, last = record.production_over(start_s, 2 * third_h), record.production_over(start_s, third_h)
    if both is None or last is None:
        return False
    before_g_per_l_day = 2 * both.rate_g_per_l_day - last.rate_g_per_l_day
    return last.rate_g_per_l_day < DIES_AWAY * before_g_per_l_day


def room_by_h(record: Record, climb: Production) -> float:
    """Return in how many hours the pressure could reach the rated limit, by the steepest climb that is possible."""
    room_bar = record.vessel.rated_pressure_bar - record.bar
    bar_per_h = climb.high / 24 / record.capacity_g_per_l_bar
    return room_bar / bar_per_h if bar_per_h > 0 else math.inf


def _lately(record: Record, start_s: float, shut_h: float) -> Production | None:
    """Return the production over the later half of the test, as if nothing were given off."""
    return record.production_over(start_s, max(LEAST_H, shut_h / 2))
