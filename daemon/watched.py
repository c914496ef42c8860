"""One vessel as the running daemon keeps it: its detectors, its time, its gate, and what stands."""

import logging
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.clock import Clock
from ullage.daemon.gate import Gate, Refused
from ullage.detectors.finding import Condition, Finding, State
from ullage.detectors.samples import Entry, Kind, Samples
from ullage.detectors.watch import VesselWatch

log = logging.getLogger(__name__)

KINDS = {
    Quantity.TEMPERATURE: Kind.TEMPERATURE,
    Quantity.PRESSURE: Kind.PRESSURE,
    Quantity.GRAVITY: Kind.GRAVITY,
}
REGULAR = frozenset({Quantity.TEMPERATURE, Quantity.PRESSURE})
"""Quantities that come by themselves; a gravity may come once a day."""
SETTLE_S = 900.0
"""After a start or a step of the wall clock: how long to wait for each sensor before silence may be told."""
FAULTS_IN_A_ROW = 3
"""Detectors that fail this often without a success between are replaced by fresh ones."""
ENTRIES_REMEMBERED = 256

AlarmKey = tuple[Condition, str]
"""What tells alarms of one vessel apart: condition and subject."""


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


class VesselTime:
    """What time it is for a vessel: the time of its newest reading plus what has passed since by monotonic clock.

    Silence is thus measured by what this daemon has waited, never by a wall clock that was set meanwhile. After a
    start and after each step of the wall clock time stands still (`now_s` gives None) until every regular sensor
    known was heard again, at most `SETTLE_S`: the gap is the daemon's own, and says nothing about the sensors.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._anchor: tuple[float, float, Quantity | None] = (clock.wall_s(), clock.monotonic_s(), None)
        self._counts = dict.fromkeys(REGULAR, 0)
        self._unheard: set[Quantity] = set()
        self._settled_by_s = 0.0

    def heard(self, quantity: Quantity, time_s: float) -> None:
        """Note a reading that is the newest of its quantity."""
        if quantity not in REGULAR:
            return
        monotonic_s = self._clock.monotonic_s()
        self._unheard.discard(quantity)
        self._counts[quantity] += 1
        # The sensor whose readings are furthest ahead sets the time, and may set it back when clocks are slewed.
        if quantity is self._anchor[2] or time_s >= self._at(monotonic_s):
            self._anchor = (time_s, monotonic_s, quantity)

    def unsettle(self, known: frozenset[Quantity]) -> None:
        """Hold the time until the `known` sensors are heard again; readings to come set it anew."""
        monotonic_s = self._clock.monotonic_s()
        self._unheard = set(known & REGULAR)
        self._settled_by_s = monotonic_s + SETTLE_S
        self._anchor = (float("-inf") if self._unheard else self._clock.wall_s(), monotonic_s, None)

    def now_s(self) -> float | None:
        """Return the vessel's time, None while it stands still."""
        monotonic_s = self._clock.monotonic_s()
        if self._unheard:
            if monotonic_s < self._settled_by_s:
                return None
            if self._anchor[2] is None:  # nothing came: by now that is worth telling, dated by the wall clock
                self._unheard.clear()
                self._anchor = (self._clock.wall_s(), monotonic_s, None)
        return self._at(monotonic_s)

    def count(self, quantity: Quantity | None) -> int:
        """Return how many newest readings of `quantity` were heard, of all regular ones for None."""
        return sum(self._counts.values()) if quantity is None else self._counts.get(quantity, 0)

    def _at(self, monotonic_s: float) -> float:
        time_s, at_s, _ = self._anchor
        return time_s + monotonic_s - at_s


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
        self.standing: set[AlarmKey] = set()
        self.faults = 0
        self.replaced = 0
        self._make = make
        self._in_a_row = 0
        self._last_error = ""
        self._entered: deque[tuple[int, str]] = deque(maxlen=ENTRIES_REMEMBERED)

    def admit(self, reading: Reading, wall_s: float) -> Refused | None:
        """Put a reading with the columns to be judged, or say why not."""
        refused = self.gate.admit(reading, wall_s)
        if refused is None:
            if self.gate.is_newest(reading):
                self.time.heard(reading.quantity, reading.time_s)
            self.columns.time_s.append(reading.time_s)
            self.columns.kind.append(KINDS[reading.quantity])
            self.columns.value.append(reading.value)
        return refused

    def judge(self) -> tuple[Finding, ...]:
        """Judge what was admitted since the last call."""
        if not self.columns.time_s:
            return ()
        samples = self.columns.samples()
        self.columns.clear()
        return self.take(samples)

    def take(self, samples: Samples) -> tuple[Finding, ...]:
        """Judge a block."""
        return self._contain(lambda: self.watch.update(samples))

    def enter(self, entry: Entry) -> tuple[Finding, ...]:
        """Take a journal entry; the same one twice (from the stream and from the table) counts once."""
        key = (round(entry.time_s * 1000), entry.text)
        if key in self._entered:
            return ()
        self._entered.append(key)
        return self._contain(lambda: self.watch.enter(entry))

    def tick(self) -> tuple[Finding, ...]:
        """Let the vessel's time come to the detectors, unless it stands still."""
        now_s = self.time.now_s()
        if now_s is None:
            return ()
        return self._contain(lambda: self.watch.tick(now_s))

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
        for finding in found:
            self._note(finding)
        return found

    def _note(self, finding: Finding) -> None:
        key = (finding.condition, finding.subject)
        if finding.state is State.RAISED:
            self.standing.add(key)
        elif finding.state is State.CLEARED:
            self.standing.discard(key)

    def _failed(self, error: Exception) -> None:
        self.faults += 1
        self._in_a_row += 1
        said = f"{type(error).__name__}: {error}"
        if said != self._last_error:  # a repeating failure is logged once, until it changes
            self._last_error = said
            log.error("detectors failed", extra={"vessel": self.name, "error": said}, exc_info=error)
        if self._in_a_row >= FAULTS_IN_A_ROW:
            log.error("detectors replaced by fresh ones", extra={"vessel": self.name, "faults": self.faults})
            self.watch = self._make()
            self.standing.clear()
            self.replaced += 1
            self._in_a_row = 0
