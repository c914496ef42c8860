"""Silence: a sensor that says nothing is an alarm in its own right, never a good number.

The limit is the longer of the setting and six of the sensor's own intervals (learned from its first twenty). The
finding carries the moment at which the limit passed, however late it is noticed.
"""

from dataclasses import dataclass, field

import numpy as np

from ullage.detectors.detector import Detector, Step
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.gate import NAMES
from ullage.detectors.samples import FloatArray, Kind
from ullage.detectors.vessel import Vessel

LEARN = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class SilentSettings:
    """When silence becomes an alarm."""

    after_min: float = 15.0
    gravity_after_h: float = 24.0
    """A floating hydrometer may speak once an hour; samples by hand are never missed."""


@dataclass(slots=True)
class _Channel:
    last_s: float | None = None
    intervals: list[float] = field(default_factory=list)
    raised: bool = False


class Silent(Detector):
    """Raises when a sensor that is expected or has spoken falls silent."""

    name = "silent"
    Settings = SilentSettings

    def __init__(self, vessel: Vessel, settings: SilentSettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self._channels = {kind: _Channel() for kind in (Kind.TEMPERATURE, Kind.PRESSURE)}
        self._first_s: float | None = None

    def look(self, step: Step) -> list[Finding]:
        """Take the times of all readings, then the time that it is now."""
        found: list[Finding] = []
        if self._first_s is None:
            self._first_s = float(step.raw.time_s[0]) if len(step.raw) else step.now_s
        for kind, channel in self._channels.items():
            time_s = step.raw.time_s[step.raw.kind == kind]
            if len(time_s):
                found += self._heard(kind, channel, time_s)
            found += self._waiting(kind, channel, step.now_s)
        return found

    def _limit_s(self, channel: _Channel) -> float:
        limit_s = self.settings.after_min * 60
        if len(channel.intervals) >= LEARN:
            limit_s = max(limit_s, 6 * float(np.median(channel.intervals)))
        return limit_s

    def _heard(self, kind: Kind, channel: _Channel, time_s: FloatArray) -> list[Finding]:
        found: list[Finding] = []
        if channel.last_s is None:
            channel.last_s = float(time_s[0])
            if channel.raised:
                found.append(self._clear(kind, channel, channel.last_s))
        before = np.concatenate(([channel.last_s], time_s[:-1]))
        before = np.maximum.accumulate(before)
        gap = time_s - before
        if len(channel.intervals) < LEARN:
            channel.intervals += gap[gap > 0][: LEARN - len(channel.intervals)].tolist()
        if channel.raised and gap[0] > 0:
            found.append(self._clear(kind, channel, float(time_s[0])))
        limit_s = self._limit_s(channel)
        for i in np.flatnonzero(gap > limit_s):
            if i or not found:
                found += self._silent(kind, channel, float(before[i]), limit_s)
                found.append(self._clear(kind, channel, float(time_s[i])))
        channel.last_s = max(channel.last_s, float(time_s.max()))
        return found

    def _waiting(self, kind: Kind, channel: _Channel, now_s: float) -> list[Finding]:
        since_s = channel.last_s
        if since_s is None:
            if kind not in self.vessel.sensors or self._first_s is None:
                return []
            since_s = self._first_s
        limit_s = self._limit_s(channel)
        if channel.raised or now_s - since_s <= limit_s:
            return []
        return self._silent(kind, channel, since_s, limit_s)

    def _silent(self, kind: Kind, channel: _Channel, since_s: float, limit_s: float) -> list[Finding]:
        if channel.raised:
            return []
        channel.raised = True
        what = NAMES[kind]
        heard = "has said nothing yet" if channel.last_s is None else "has said nothing"
        return [
            self.finding(
                since_s + limit_s, Condition.SENSOR_SILENT, State.RAISED, Priority.HIGH,
                f"The {what} sensor {heard} for {limit_s / 60:.0f} min. Check its power, cable and network; until it "
                f"speaks again nobody watches the {what} of this vessel.",
                subject=what, value=limit_s / 60, limit=limit_s / 60, unit="min",
            )
        ]  # fmt: skip

    def _clear(self, kind: Kind, channel: _Channel, time_s: float) -> Finding:
        channel.raised = False
        what = NAMES[kind]
        return self.finding(
            time_s, Condition.SENSOR_SILENT, State.CLEARED, Priority.HIGH,
            f"The {what} sensor speaks again.", subject=what,
        )  # fmt: skip
