"""One vessel as the running daemon keeps it: its detectors, its time, its gate, and what stands."""

import logging
import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.alarm_states import AlarmKey
from ullage.daemon.clock import Clock
from ullage.daemon.gate import FUTURE_S, Gate, Refused
from ullage.daemon.orphans import Orphans, quantity_named
from ullage.daemon.snapshot import Saved
from ullage.daemon.vessel_time import VesselTime
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.samples import Entry, Kind, Samples
from ullage.detectors.watch import VesselWatch

log = logging.getLogger(__name__)

KINDS = {
    Quantity.TEMPERATURE: Kind.TEMPERATURE,
    Quantity.PRESSURE: Kind.PRESSURE,
    Quantity.GRAVITY: Kind.GRAVITY,
    Quantity.AIR_TEMPERATURE: Kind.AIR,
}
PRESSING = 0.8
"""Share of the rated pressure from which a reading is judged at once, however many vessels there are."""
FAULTS_IN_A_ROW = 3
"""Detectors that fail this often without a success between are replaced by fresh ones."""
ENTRIES_REMEMBERED = 256


@dataclass(slots=True)
class Columns:
    """Readings of one vessel that wait to be judged, in the order of arrival."""

    time_s: list[float] = field(default_factory=list)
    kind: list[int] = field(default_factory=list)
    value: list[float] = field(default_factory=list)

    def samples(self) -> Samples:
        """Return the columns as a block."""
        return Samples(
            time_s=np.array(self.time_s, np.float64),
            kind=np.array(self.kind, np.uint8),
            value=np.array(self.value, np.float64),
        )

    def clear(self) -> None:
        """Empty the columns."""
        self.time_s.clear()
        self.kind.clear()
        self.value.clear()


class Watched:
    """The detectors of one vessel; a failure inside them is contained, counted and logged, never passed on.

    Parameters
    ----------
    name
        The vessel.
    make
        Makes fresh detectors; called at the start and when the present ones keep failing.
    """

    def __init__(self, name: str, make: Callable[[], VesselWatch], clock: Clock) -> None:
        self.name = name
        self.watch = make()
        self.gate = Gate()
        self.time = VesselTime(clock)
        self.columns = Columns()
        self.orphans = Orphans(clock, self.time)
        self.latest: dict[Quantity, Reading] = {}
        """The newest reading of each quantity since the start; for others to read."""
        self.standing: dict[AlarmKey, Priority] = {}
        self.faults = 0
        self.pressing = False
        """Whether a pressure near the rated limit waits to be judged."""
        self._make = make
        self._in_a_row = 0
        self._last_error = ""
        self.last_entry_id = 0
        self.begin_s = -math.inf
        """Where the batch began: what is older is stored, but no affair of these detectors."""
        self._entered: deque[tuple[int, str]] = deque(maxlen=ENTRIES_REMEMBERED)
        self._held: dict[AlarmKey, Finding] = {}

    def admit(self, reading: Reading, wall_s: float) -> Refused | None:
        """Put a reading with the columns to be judged, or say why not."""
        refused = self.gate.admit(reading, wall_s)
        if refused is None:
            if self.gate.is_newest(reading):
                self.latest[reading.quantity] = reading
                self.time.heard(reading.quantity, reading.time_s)
            if reading.time_s < self.begin_s and not self._fresh(reading, wall_s):
                return None
            # to the millisecond, as stored: a rebuild from the store must judge the very same numbers
            self.columns.time_s.append(round(reading.time_s * 1000) / 1000)
            self.columns.kind.append(KINDS[reading.quantity])
            self.columns.value.append(reading.value)
            if reading.quantity is Quantity.PRESSURE:
                self.pressing |= reading.value >= PRESSING * self.watch.vessel.rated_pressure_bar
        return refused

    def _fresh(self, reading: Reading, wall_s: float) -> bool:
        """Tell whether it is of now by a clock that is behind the batch's own beginning: that one is wrong, not the reading."""
        return wall_s < self.begin_s and reading.time_s >= wall_s - FUTURE_S

    def judge(self) -> tuple[Finding, ...]:
        """Judge what was admitted since the last call."""
        if not self.columns.time_s:
            return ()
        samples = self.columns.samples()
        self.columns.clear()
        self.pressing = False
        return self.take(samples)

    def take(self, samples: Samples) -> tuple[Finding, ...]:
        """Judge a block."""
        return self._contain(lambda: self.watch.update(samples))

    def enter(self, entry: Entry, entry_id: int = 0) -> tuple[Finding, ...]:
        """Take a journal entry; the same one twice (from the stream and from the table) counts once.

        Parameters
        ----------
        entry
            The entry.
        entry_id
            Its number in the table where it comes from there: entries up to it need not be read again.
        """
        self.last_entry_id = max(self.last_entry_id, entry_id)
        key = (round(entry.time_s * 1000), entry.text)
        if key in self._entered or entry.time_s < self.begin_s:
            return ()
        self._entered.append(key)
        return self.judge() + self._contain(lambda: self.watch.enter(entry))

    def state(self) -> Saved:
        """Return what a snapshot keeps."""
        return Saved(
            watch=self.watch,
            standing=tuple((k.condition, k.subject, p.value) for k, p in self.standing.items()),
            newest_ms={q.value: round(t * 1000) for q in KINDS if (t := self.gate.newest_s(q)) is not None},
            last_entry_id=self.last_entry_id,
            entries=tuple(self._entered),
        )

    def resume(self, saved: Saved) -> None:
        """Go on from a snapshot."""
        self.watch = saved.watch
        self.standing = {AlarmKey(self.name, c, s): Priority(p) for c, s, p in saved.standing}
        self.last_entry_id = saved.last_entry_id
        self._entered.extend(saved.entries)

    def tick(self) -> tuple[Finding, ...]:
        """Let the vessel's time come to the detectors, unless it stands still."""
        told = self.judge()  # first: a word that waits to be judged ends a silence that is held back
        due = tuple(finding for key, finding in self._held.items() if not self._awaited(key))
        for finding in due:
            del self._held[_key(finding)]
        told += due
        now_s = self.time.now_s()
        if now_s is not None:
            told += self._contain(lambda: self.watch.tick(now_s))
        return told + self.orphans.settle()

    def hold_silence(self, finding: Finding) -> tuple[Finding, ...]:
        """Return a finding that is to be told; a silence is held back until the sensor had its time to be heard."""
        if finding.condition is not Condition.SENSOR_SILENT:
            return (finding,)
        self._held[_key(finding)] = finding
        return ()

    def known(self) -> frozenset[Quantity]:
        """Return the quantities that have been heard."""
        return frozenset(q for q in KINDS if self.gate.newest_s(q) is not None)

    def _contain(self, call: Callable[[], tuple[Finding, ...]]) -> tuple[Finding, ...]:
        try:
            found = call()
        except Exception as error:  # noqa: BLE001 - one vessel's trouble must not stop another's alarms
            self._failed(error)
            return ()
        self._in_a_row = 0
        if not found:
            return ()
        told = self._without_own_silence(found)
        for finding in found:
            key = _key(finding)
            if finding.state is State.RAISED:
                self.standing[key] = finding.priority
                self.orphans.forget(key)
            elif finding.state is State.CLEARED:
                self.standing.pop(key, None)
                self.orphans.forget(key)
        return told

    def _without_own_silence(self, found: tuple[Finding, ...]) -> tuple[Finding, ...]:
        """Take out silences that are this daemon's own or are over by the time they are noticed.

        While the daemon was down or its clock wrong, no sensor could be heard; and a gap in a backlog that ended
        hours ago asks nothing of anybody. What is held back is told by `tick` if the sensor stays away.
        """
        told: list[Finding] = []
        raised: dict[AlarmKey, Finding] = {}
        for finding in found:
            key = _key(finding)
            if finding.condition is not Condition.SENSOR_SILENT:
                told.append(finding)
            elif finding.state is State.RAISED:
                raised[key] = finding
                if self._awaited(key):
                    self._held[key] = finding
                else:
                    told.append(finding)
            else:
                over = raised.pop(key, None) or self._held.get(key)
                self._held.pop(key, None)
                told = [f for f in told if f is not over]
                if over is None or key in self.orphans:
                    told.append(finding)
        return tuple(told)

    def _awaited(self, key: AlarmKey) -> bool:
        quantity = quantity_named(key.subject)
        return quantity is not None and self.time.awaits(quantity)

    def _failed(self, error: Exception) -> None:
        self.faults += 1
        self._in_a_row += 1
        said = f"{type(error).__name__}: {error}"
        if said != self._last_error:  # a repeating failure is logged once, until it changes
            self._last_error = said
            log.error("detectors failed", extra={"vessel": self.name, "error": said}, exc_info=error)
        if self._in_a_row >= FAULTS_IN_A_ROW:
            log.error("detectors replaced by fresh ones", extra={"vessel": self.name, "faults": self.faults})
            self.renew()
            self._in_a_row = 0

    def renew(self) -> None:
        """Begin with fresh detectors; alarms that the old ones held raised stand until the sensors have spoken."""
        self.watch = self._make()
        for key, priority in self.standing.items():
            self.orphans.adopt(key, priority)
        self.standing.clear()
        self._held.clear()


def _key(finding: Finding) -> AlarmKey:
    return AlarmKey(finding.vessel, finding.condition.value, finding.subject)
