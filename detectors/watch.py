"""Everything that watches one vessel: gate, condenser, record and detectors, fed by the same calls live and in replay."""

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ullage.detectors.advising import advised
from ullage.detectors.detector import Detector, Step
from ullage.detectors.finding import Finding
from ullage.detectors.frames import Frame, FrameMaker
from ullage.detectors.frozen import Frozen
from ullage.detectors.gate import plausible
from ullage.detectors.minutes import Condenser
from ullage.detectors.record import Record
from ullage.detectors.registry import build, compose
from ullage.detectors.samples import Entry, Samples
from ullage.detectors.vessel import Vessel

log = logging.getLogger(__name__)

FORGIVEN_S = 24 * 3600.0
"""So long after it last failed a part is said to work again."""


@dataclass(frozen=True, slots=True)
class Failure:
    """How a part of the watch failed, and when it did last."""

    what: str
    time_s: float


class VesselWatch:
    """All detectors of one vessel. State is bounded and the object may be pickled at any moment.

    Feed it with `update` (samples in order of arrival), `enter` (journal entries at their place in the stream) and
    `tick` (time passes though nothing arrives). Each call returns its findings sorted by time. How the stream is
    cut into calls changes nothing.

    A detector that raises is logged once and stands in `failures` until it has worked for a day; it is asked again, and the
    others go on. Trouble with the record, which the slow detectors share, stands there too and costs the frame.

    Parameters
    ----------
    vessel
        The vessel.
    settings
        Composed by `ullage.detectors.registry.compose`: detector name to its settings.
    observers
        Asked after all detectors, with the same calls: for a report that shows what they had before them.
    """

    def __init__(
        self,
        vessel: Vessel,
        settings: Mapping[str, object] | None = None,
        observers: Sequence[Detector] = (),
    ) -> None:
        self.vessel = vessel
        self.record = Record(vessel)
        self.failures: dict[str, Failure] = {}
        """What failed within the last day, and how it did last."""
        self._detectors = (*build(vessel, compose({}) if settings is None else settings), *observers)
        self._frozen = next((d for d in self._detectors if isinstance(d, Frozen)), None)
        self._condenser = Condenser()
        self._frames = FrameMaker()
        self._now_s = -np.inf

    def update(self, samples: Samples) -> tuple[Finding, ...]:
        """Take samples in order of arrival; return what they show."""
        if not len(samples):
            return ()
        fine = plausible(samples)
        good = samples
        if not fine.all():
            good = Samples(time_s=samples.time_s[fine], kind=samples.kind[fine], value=samples.value[fine])
        minutes = self._condenser.update(good)
        self.record.offer(good)
        self._now_s = max(self._now_s, float(samples.time_s.max()))
        step = Step(raw=samples, plausible=fine, minutes=minutes, entries=(), now_s=self._now_s)
        return self._run(step, self._frames.update(minutes))

    def enter(self, entry: Entry) -> tuple[Finding, ...]:
        """Take a journal entry; its time may lie in the past. If not, what came before it is judged before it."""
        found = list(self._advance(entry.time_s)) if entry.time_s > self._now_s else []
        self._recorded(lambda: self.record.enter(entry))
        none = Samples.empty()
        step = Step(
            raw=none,
            plausible=np.empty(0, np.bool_),
            minutes=self._condenser.update(none),
            entries=(entry,),
            now_s=max(self._now_s, entry.time_s),
        )
        found += self._each(lambda detector: detector.look(step))
        found += self._each(lambda detector: detector.entry(entry, self.record))
        return _sorted(found)

    def tick(self, now_s: float) -> tuple[Finding, ...]:
        """Note that time has come to `now_s`, whether or not anything arrived."""
        return self._advance(now_s)

    def _advance(self, now_s: float) -> tuple[Finding, ...]:
        self._now_s = max(self._now_s, now_s)
        minutes = self._condenser.tick(now_s)
        frames = self._frames.update(minutes) + self._frames.tick(now_s)
        none = Samples.empty()
        step = Step(raw=none, plausible=np.empty(0, np.bool_), minutes=minutes, entries=(), now_s=self._now_s)
        return self._run(step, frames)

    def _run(self, step: Step, frames: Iterable[Frame]) -> tuple[Finding, ...]:
        if self.failures:
            self._forgive()
        found = self._each(lambda detector: detector.look(step))
        for frame in frames:
            if frame.empty:  # made by ticks alone: no evidence of anything, and none of them may depend on it
                self.record.pass_by(frame.end_s)
                continue
            self.record.frozen = self._frozen_at(frame.end_s)
            if not self._recorded(lambda frame=frame: self.record.take(frame)):  # type: ignore[misc]
                continue
            told = self._each(lambda detector, frame=frame: detector.frame(frame, self.record))  # type: ignore[misc]
            found += [advised(finding, self.record) for finding in told]
        return _sorted(found)

    def _frozen_at(self, time_s: float) -> bool:
        """Tell whether the pressure sensor stood frozen at a time that lies at or before now."""
        if self._frozen is None:
            return False
        return any(start <= time_s < end for start, end in self._frozen.pressure_runs)

    def _recorded(self, call: Callable[[], None]) -> bool:
        """Write into the record; a failure costs this frame only, never what other detectors have just found."""
        try:
            call()
        except Exception as error:  # noqa: BLE001 - noted and told; it must stop nothing else
            self._note("record", error)
            return False
        return True

    def _each(self, call: Callable[[Detector], list[Finding]]) -> list[Finding]:
        found: list[Finding] = []
        for detector in self._detectors:
            try:
                found += call(detector)
            except Exception as error:  # noqa: BLE001 - noted and told; it must stop nothing else
                self._note(detector.name, error)
        return found

    def _note(self, part: str, error: Exception) -> None:
        """Note that a part failed. It is asked again next time: over-pressure must be seen after the step that went wrong."""
        what = f"{type(error).__name__}: {error}"
        before = self.failures.get(part)
        if before is None or before.what != what:
            log.error("detector failed", exc_info=error, extra={"vessel": self.vessel.name, "detector": part})
        self.failures[part] = Failure(what, self._now_s)

    def _forgive(self) -> None:
        """What has worked for a day works again."""
        for part in [p for p, failure in self.failures.items() if self._now_s - failure.time_s > FORGIVEN_S]:
            del self.failures[part]


def _sorted(found: list[Finding]) -> tuple[Finding, ...]:
    return tuple(sorted(found, key=lambda finding: finding.time_s))
