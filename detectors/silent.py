"""Silence: a sensor that says nothing is an alarm in its own right, never a good number.

The limit is the longer of the setting and six of the sensor's own intervals (learned from its first twenty; of one or two,
two and a half of the shorter; one word tells no pace at all, and has an hour). A sensor that speaks only when its value changes, and otherwise at a fixed beat, is quiet for
as long as that beat again and again: two of its longest silences that agree show it, and two and a half beats are the limit.
A gravity is missed only of a float, which is known by its pace: nobody promised the next sample by hand.
The finding carries the moment at which the limit passed, however late it is noticed.
"""

import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ullage.detectors.detector import Detector, Step
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.gate import NAMES
from ullage.detectors.medians import median
from ullage.detectors.samples import FloatArray, Kind
from ullage.detectors.vessel import Vessel

LEARN = 20
BELIEVE = 3
"""Intervals from which the sensor's own pace is believed in full."""
FEW_TIMES = 2.5
"""So many of the shortest of fewer intervals, or of the beats, are too long: one lost message is no silence."""
BEATS_ALIKE = 0.05
"""Two silences of one beat are so nearly of one length; two failures of a network rarely are."""
FIRST_S = 3600.0
"""So long the second word may take: readings half an hour apart would else be told of at every start."""
LONGEST_BEAT_S = 2 * 3600.0
"""What is away for eight hours each night is switched off, and that is to be told."""
LONG_KEPT = 20
FLOAT_WITHIN_S = 6 * 3600.0
"""Gravities further apart than this are taken by hand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SilentSettings:
    """When silence becomes an alarm."""

    after_min: float = 15.0
    gravity_after_h: float = 24.0
    """A floating sensor may speak once an hour; samples by hand are never missed."""


@dataclass(slots=True)
class _Channel:
    last_s: float | None = None
    intervals: list[float] = field(default_factory=list)
    long: deque[float] = field(default_factory=lambda: deque(maxlen=LONG_KEPT))
    """Silences longer than the setting that ended by themselves, seconds."""
    beat_s: float = 0.0
    raised: bool = False

    def learn(self, interval_s: float, after_s: float) -> None:
        """Take the time from one word to the next."""
        if len(self.intervals) < LEARN and interval_s > 0:
            self.intervals.append(interval_s)
        if interval_s > after_s:
            if interval_s <= LONGEST_BEAT_S and any(
                abs(interval_s - other_s) <= BEATS_ALIKE * interval_s for other_s in self.long
            ):
                self.beat_s = max(self.beat_s, interval_s)
            self.long.append(interval_s)


class Silent(Detector):
    """Raises when a sensor that is expected or has spoken falls silent."""

    name = "silent"
    Settings = SilentSettings

    def __init__(self, vessel: Vessel, settings: SilentSettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self._channels = {kind: _Channel() for kind in Kind}
        self._first_s: float | None = None
        self._now_s = -np.inf

    def look(self, step: Step) -> list[Finding]:
        """Take the times of all readings, then the time that it is now."""
        found: list[Finding] = []
        time_s = step.raw.time_s
        if self._first_s is None:
            self._first_s = float(time_s[0]) if len(time_s) else step.now_s
        now_s = _latest(time_s, self._now_s)
        for kind, channel in self._channels.items():
            mine = step.raw.kind == kind
            if self._since_s(kind, channel) is None and not mine.any():
                continue  # nobody awaits it
            for start, stop in self._pieces(kind, channel, now_s, mine):
                found += self._take(kind, channel, now_s[start:stop], mine[start:stop])
            found += self._waiting(kind, channel, step.now_s)
        self._now_s = step.now_s
        return found

    def _after_s(self, kind: Kind) -> float:
        return self.settings.gravity_after_h * 3600 if kind == Kind.GRAVITY else self.settings.after_min * 60

    def _limit_s(self, kind: Kind, channel: _Channel) -> float:
        few = len(channel.intervals) < BELIEVE
        if kind == Kind.GRAVITY and (few or median(channel.intervals) > FLOAT_WITHIN_S):
            return math.inf
        if not channel.intervals and channel.last_s is not None:
            return max(self._after_s(kind), FIRST_S)
        own_s = FEW_TIMES * min(channel.intervals, default=0.0) if few else 6 * median(channel.intervals)
        return max(self._after_s(kind), own_s, FEW_TIMES * channel.beat_s)

    def _pieces(
        self, kind: Kind, channel: _Channel, now_s: FloatArray, mine: NDArray[np.bool_]
    ) -> Iterator[tuple[int, int]]:
        """Yield rows from which to which the limit stays the same: own rows that teach it something stand alone."""
        rows = np.flatnonzero(mine)
        before_s = channel.last_s if channel.last_s is not None else -math.inf
        long = np.diff(now_s[rows], prepend=before_s) > self._after_s(kind)
        long[: LEARN + 1 - len(channel.intervals)] = True
        start = 0
        for row in rows[long].tolist():
            if start < row:
                yield start, row
            yield row, row + 1
            start = row + 1
        if start < len(mine):
            yield start, len(mine)

    def _take(
        self, kind: Kind, channel: _Channel, now_s: FloatArray, mine: NDArray[np.bool_]
    ) -> list[Finding]:
        """Take rows of all quantities, `mine` those of this sensor.

        A reading counts when it arrives, by the latest time stamp known: one that comes late, or from a clock that
        goes slow, is a word all the same.
        """
        since_s = self._since_s(kind, channel)
        if since_s is None:
            if not mine.any():
                return []
            first = int(np.argmax(mine))  # nothing was awaited before its first word
            now_s, mine = now_s[first:], mine[first:]
            since_s = float(now_s[0])
        if not channel.raised and self._all_heard(kind, channel, now_s, mine, since_s):
            return []
        heard_s = np.maximum.accumulate(np.concatenate(([since_s], np.where(mine, now_s, -np.inf))))
        before_s, last_s = heard_s[:-1], heard_s[1:]
        # before this row's own interval counts: a tick just before it had no other
        limit_s = self._limit_s(kind, channel)
        if len(mine) == 1 and mine[0] and channel.last_s is not None:
            channel.learn(float(last_s[0] - before_s[0]), self._after_s(kind))
        silent = now_s - before_s > limit_s
        was = np.concatenate(([channel.raised], silent[:-1] & ~mine[:-1]))
        raises = silent & ~was
        clears = mine & (was | silent)
        found: list[Finding] = []
        for row in np.flatnonzero(raises | clears).tolist():
            if raises[row]:
                found += self._silent(kind, channel, float(before_s[row]), limit_s)
            if clears[row]:
                found.append(self._clear(kind, channel, float(now_s[row])))
        if mine.any():
            channel.last_s = float(last_s[-1])
        return found

    def _all_heard(
        self, kind: Kind, channel: _Channel, now_s: FloatArray, mine: NDArray[np.bool_], since_s: float
    ) -> bool:
        """Take a long stretch in which nothing was silent, as most are; False leaves it to be looked at row by row."""
        words_s = now_s[np.flatnonzero(mine)]
        if len(words_s) < 2:
            return False
        longest_s = max(
            float(words_s[0]) - since_s, float(np.diff(words_s).max()), float(now_s[-1] - words_s[-1])
        )
        if longest_s > self._limit_s(kind, channel):
            return False
        channel.last_s = max(since_s, float(words_s[-1]))
        return True

    def _since_s(self, kind: Kind, channel: _Channel) -> float | None:
        """Return when it was last heard, or since when it is awaited; None if nobody awaits it."""
        if channel.last_s is not None:
            return channel.last_s
        return self._first_s if kind in self.vessel.sensors and kind != Kind.GRAVITY else None

    def _waiting(self, kind: Kind, channel: _Channel, now_s: float) -> list[Finding]:
        since_s = self._since_s(kind, channel)
        limit_s = self._limit_s(kind, channel)
        if since_s is None or channel.raised or now_s - since_s <= limit_s:
            return []
        return self._silent(kind, channel, since_s, limit_s)

    def _silent(self, kind: Kind, channel: _Channel, since_s: float, limit_s: float) -> list[Finding]:
        if channel.raised:
            return []
        channel.raised = True
        what = NAMES[kind]
        heard = "has said nothing yet" if channel.last_s is None else "has said nothing"
        long = f"{limit_s / 60:.0f} min" if limit_s < 3 * 3600 else f"{limit_s / 3600:.0f} h"
        return [
            self.finding(
                since_s + limit_s, Condition.SENSOR_SILENT, State.RAISED, _priority(kind),
                f"The {what} sensor {heard} for {long}. Check its power, cable and network; until it "
                f"speaks again nobody watches the {what} of this vessel.",
                subject=what, value=limit_s / 60, limit=limit_s / 60, unit="min",
            )
        ]  # fmt: skip

    def _clear(self, kind: Kind, channel: _Channel, time_s: float) -> Finding:
        channel.raised = False
        what = NAMES[kind]
        return self.finding(
            time_s, Condition.SENSOR_SILENT, State.CLEARED, _priority(kind),
            f"The {what} sensor speaks again.", subject=what,
        )  # fmt: skip


def _latest(time_s: FloatArray, before_s: float) -> FloatArray:
    """Return the latest time known at each row: its own, that of a row before it, or `before_s`."""
    if not len(time_s) or (time_s[0] >= before_s and not (time_s[1:] < time_s[:-1]).any()):
        return time_s  # in order, as most are, which is quickly seen
    latest_s: FloatArray = np.maximum.accumulate(np.concatenate(([before_s], time_s)))[1:]
    return latest_s


def _priority(kind: Kind) -> Priority:
    """Return how urgent a silence is: what a float measures goes on slowly, and nothing bursts of it."""
    return Priority.MEDIUM if kind == Kind.GRAVITY else Priority.HIGH
