"""Which readings the pipeline judges: the stated rule on time stamps, and repeats taken out."""

import math
from collections import deque
from enum import StrEnum

from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.clock import Clock
from ullage.daemon.steady_clock import BELIEVABLE_S

FUTURE_S = 60.0
"""A reading stamped further ahead of this machine's clock than this is refused."""
LATE_S = 86_400.0
"""A reading older than the newest judged of its quantity by more than this is refused, unless it is fresh."""
STEP_S = 2.0
"""Difference between wall and monotonic clock that counts as a step of the wall clock."""
REMEMBERED = 256
"""Latest time stamps kept per quantity to know a repeat by: more than a broker keeps in flight."""


class Refused(StrEnum):
    """Why the pipeline did not judge a reading; counted, never silent."""

    UNKNOWN_VESSEL = "unknown-vessel"
    NOT_FINITE = "not-finite"
    FUTURE = "future"
    LATE = "late"
    REPEATED = "repeated"
    MARK = "mark-of-a-batch"
    """An entry that only the program makes: a batch begins with `pitched`, or by command."""


class WallClockGuard:
    """Notices steps of the wall clock by comparing it with the monotonic one."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._difference_s = clock.wall_s() - clock.monotonic_s()

    def check(self) -> float:
        """Return the step since the last call in seconds, positive forwards, 0 when there was none worth the name."""
        difference_s = self._clock.wall_s() - self._clock.monotonic_s()
        step_s = difference_s - self._difference_s
        self._difference_s = difference_s  # slow drift (NTP slewing) adds up to no step
        return step_s if abs(step_s) > STEP_S else 0.0


class Gate:
    """Admits the readings of one vessel.

    Notes
    -----
    The rule. A reading stamped more than 60 s ahead of this machine's clock is refused (a sender whose clock is
    wrong would shut out every right reading after it), unless this machine's own clock has plainly not been set.
    A reading older than the newest judged one of its quantity by more than a day is refused, unless it is within
    60 s of this machine's clock: a fresh reading is judged always, whatever an earlier wrong clock has stamped.
    A reading with the time stamp (to the millisecond, as stored) and value of one judged already is a repeat
    (QoS 1 delivers at least once); counting it twice would turn one spike into two consecutive readings.
    """

    def __init__(self) -> None:
        self._newest_ms: dict[Quantity, int] = {}
        self._recent: dict[Quantity, deque[tuple[int, float]]] = {}

    def admit(self, reading: Reading, wall_s: float) -> Refused | None:
        """Return None when the reading is to be judged, else why not."""
        time_s, quantity, value = reading.time_s, reading.quantity, reading.value
        if not math.isfinite(time_s) or not math.isfinite(value):
            return Refused.NOT_FINITE
        if time_s > wall_s + FUTURE_S and wall_s >= BELIEVABLE_S:
            return Refused.FUTURE
        time_ms = round(time_s * 1000)
        newest_ms = self._newest_ms.get(quantity)
        if newest_ms is None or time_ms > newest_ms:
            self._note(quantity, time_ms, value)
            return None
        if time_ms < newest_ms - LATE_S * 1000 and time_s < wall_s - FUTURE_S:
            return Refused.LATE
        if (time_ms, value) in self._recent[quantity]:
            return Refused.REPEATED
        self._recent[quantity].append((time_ms, value))
        return None

    def newest_s(self, quantity: Quantity) -> float | None:
        """Return the newest time stamp judged of `quantity`, None before the first."""
        newest_ms = self._newest_ms.get(quantity)
        return None if newest_ms is None else newest_ms / 1000

    def is_newest(self, reading: Reading) -> bool:
        """Tell whether an admitted reading is the newest of its quantity."""
        return self._newest_ms.get(reading.quantity) == round(reading.time_s * 1000)

    def remember(self, quantity: Quantity, time_s: float, value: float) -> None:
        """Take note of a reading judged in an earlier life."""
        time_ms = round(time_s * 1000)
        if time_ms > self._newest_ms.get(quantity, -(2**63)):
            self._note(quantity, time_ms, value)

    def stepped_back(self, wall_s: float) -> None:
        """Forget time stamps that a wall clock since set back had put in the future."""
        for quantity, newest_ms in self._newest_ms.items():
            self._newest_ms[quantity] = min(newest_ms, round(wall_s * 1000))

    def _note(self, quantity: Quantity, time_ms: int, value: float) -> None:
        self._newest_ms[quantity] = time_ms
        recent = self._recent.get(quantity)
        if recent is None:
            recent = self._recent[quantity] = deque(maxlen=REMEMBERED)
        recent.append((time_ms, value))
