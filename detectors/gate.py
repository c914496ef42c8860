"""The plausibility gate: what no vessel can show goes no further than the over-pressure check.

Limits come from physics and from what broken sensors are known to say. A digital thermometer says 85.0 at power-on
and its driver −127 when the sensor is gone (DS18B20 data sheet; common practice); 85.0 is also what a jump of more
than 10 °C to exactly that value means. A pressure transmitter with a broken wire sits below −0.5 bar, one at the end
of its scale repeats its largest value.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ullage.detectors.detector import Detector, Step
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.samples import FloatArray, Kind, Samples
from ullage.detectors.vessel import Vessel

LOWEST = {Kind.TEMPERATURE: -15.0, Kind.PRESSURE: -0.6, Kind.GRAVITY: 0.97, Kind.AIR: -40.0}
HIGHEST = {Kind.TEMPERATURE: 60.0, Kind.PRESSURE: 60.0, Kind.GRAVITY: 1.2, Kind.AIR: 60.0}
_LOWEST, _HIGHEST = (np.array([limits[kind] for kind in Kind]) for limits in (LOWEST, HIGHEST))
"""The same by code."""
UNITS = {Kind.TEMPERATURE: "°C", Kind.PRESSURE: "bar", Kind.GRAVITY: "SG", Kind.AIR: "°C"}
NAMES = {
    Kind.TEMPERATURE: "temperature",
    Kind.PRESSURE: "pressure",
    Kind.GRAVITY: "gravity",
    Kind.AIR: "air temperature",
}


def plausible(samples: Samples) -> NDArray[np.bool_]:
    """Return for each row whether its value can be true at all."""
    value, kind = samples.value, samples.kind
    result: NDArray[np.bool_] = (value >= _LOWEST[kind]) & (value <= _HIGHEST[kind])
    return result


@dataclass(frozen=True, slots=True, kw_only=True)
class ImplausibleSettings:
    """When impossible values become an alarm."""

    readings: int = 4
    """Impossible readings in a row before it is told: one is a spike on the wire."""
    back_readings: int = 4
    """Good readings in a row before it is taken back."""


@dataclass(slots=True)
class _Channel:
    bad: int = 0
    good: int = 0
    raised: bool = False


class Implausible(Detector):
    """Tells of a sensor that goes on saying what can't be."""

    name = "implausible"
    Settings = ImplausibleSettings

    def __init__(self, vessel: Vessel, settings: ImplausibleSettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self._channels = {kind: _Channel() for kind in Kind}

    def look(self, step: Step) -> list[Finding]:
        """Take raw rows and their plausibility."""
        found: list[Finding] = []
        if not len(step.raw):
            return found
        if step.plausible.all() and not any(c.bad or c.raised for c in self._channels.values()):
            return found
        for kind, channel in self._channels.items():
            mine = step.raw.kind == kind
            if mine.any():
                found += self._watch(
                    kind, channel, step.raw.time_s[mine], step.raw.value[mine], step.plausible[mine]
                )
        return found

    def _watch(
        self, kind: Kind, channel: _Channel, time_s: FloatArray, value: FloatArray, good: NDArray[np.bool_]
    ) -> list[Finding]:
        found: list[Finding] = []
        for at_s, number, fine in zip(time_s.tolist(), value.tolist(), good.tolist(), strict=True):
            channel.bad = 0 if fine else channel.bad + 1
            channel.good = channel.good + 1 if fine else 0
            if not channel.raised and channel.bad >= self.settings.readings:
                channel.raised = True
                found.append(self._finding(kind, State.RAISED, at_s, number))
            elif channel.raised and channel.good >= self.settings.back_readings:
                channel.raised = False
                found.append(self._finding(kind, State.CLEARED, at_s, number))
        return found

    def _finding(self, kind: Kind, state: State, time_s: float, value: float) -> Finding:
        what, unit = NAMES[kind], UNITS[kind]
        limit = LOWEST[kind] if value < LOWEST[kind] else HIGHEST[kind]
        text = (
            f"The {what} sensor says {value:.4g} {unit}, which can't be. Check its plug, cable and supply; until then "
            f"nobody watches the {what} of this vessel."
            if state is State.RAISED
            else f"The {what} sensor gives believable values again: {value:.4g} {unit}."
        )
        return Finding(
            time_s=time_s, vessel=self.vessel.name, condition=Condition.SENSOR_IMPLAUSIBLE, state=state,
            priority=Priority.HIGH, text=text, subject=what, value=value, limit=limit, unit=unit,
        )  # fmt: skip
