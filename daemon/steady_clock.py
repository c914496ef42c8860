"""The machine's clock as the daemon goes by it: never back by a little, and never behind what is on record.

Readings that carry no time of their own are stamped with it, and detectors judge in the order of time: a clock that was
set back by half a minute would leave them blind for as long. So small steps back are made up for by going slower. A machine
without a clock chip begins in 1970, or at the time of its last shutdown: until the time arrives it goes on from the
newest time in the database.
"""

import threading

from ullage.daemon.clock import Clock

BELIEVABLE_S = 1_735_689_600.0
"""2025-01-01. A machine's clock before it has not been set yet."""
SMALL_S = 120.0
"""A step back up to this is made up for; beyond it the clock was plainly wrong before, and is followed at once."""
SLOWER = 0.05
"""By how much it goes slower then: no slope that detectors see changes by more."""
BEHIND_RECORD_S = 2 * 3600.0
"""How far a machine's clock may be behind the record at the start and be thought late rather than the record wrong."""


class SteadyClock:
    """A `Clock` over the machine's. Safe from several threads.

    Parameters
    ----------
    machine
        The machine's own.
    record_s
        Newest time on record, Unix seconds; 0 if there is none.
    """

    def __init__(self, machine: Clock, record_s: float = 0.0) -> None:
        self._machine = machine
        self._lock = threading.Lock()
        self._last_s = machine.monotonic_s()
        self._offset_s = machine.wall_s() - self._last_s
        behind_s = record_s - machine.wall_s()
        self._from_record = behind_s > 0 and not self.set_right()
        if self._from_record or 0 < behind_s <= BEHIND_RECORD_S:
            self._offset_s = record_s - self._last_s
        # and a second: the two clocks are read one after the other
        self._allowed_s = max(SMALL_S, behind_s + 1.0) if behind_s <= BEHIND_RECORD_S else SMALL_S

    def wall_s(self) -> float:
        """Return Unix seconds, UTC. Steps forward when the machine's clock does, and back only by a lot."""
        with self._lock:
            monotonic_s = self._machine.monotonic_s()
            passed_s, self._last_s = monotonic_s - self._last_s, monotonic_s
            self._follow(self._machine.wall_s() - monotonic_s, passed_s)
            return monotonic_s + self._offset_s

    def monotonic_s(self) -> float:
        """Return seconds since some fixed moment."""
        return self._machine.monotonic_s()

    def set_right(self) -> bool:
        """Tell whether the machine's clock has been set since it was switched on, as far as one can see."""
        return self._machine.wall_s() >= BELIEVABLE_S

    def others_by_s(self) -> float:
        """Return what the clocks of others are judged by.

        While the machine's clock has not been set, what it shows, for then nobody may be refused. Where it is behind the
        record, our own: what was right before a power cut must not be taken for a reading from the future after it.
        """
        own_s, machine_s = self.wall_s(), self._machine.wall_s()
        return max(machine_s, own_s) if self.set_right() else machine_s

    def _follow(self, offset_s: float, passed_s: float) -> None:
        if self._from_record:
            if not self.set_right():
                return
            self._from_record = False  # the time has arrived
            self._offset_s = offset_s
        ahead_s = self._offset_s - offset_s
        if 0 < ahead_s <= self._allowed_s:
            self._offset_s -= min(ahead_s, SLOWER * passed_s)
        else:
            self._offset_s = offset_s
            self._allowed_s = SMALL_S
