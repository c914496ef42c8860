"""A log condensed once: what its raw samples come to, so that many settings can be tried without reading them again.

An observer looks on during one true replay. It keeps the ten-minute frames, the journal entries and the gravity samples
in their order; and it hosts further copies of those detectors that look at raw samples, one for each of their settings
that is to be tried, so that the samples are gone through once for all of them.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from ullage.detectors.detector import Detector, Step
from ullage.detectors.finding import Finding
from ullage.detectors.frames import Frame
from ullage.detectors.frozen import Frozen
from ullage.detectors.record import Record
from ullage.detectors.registry import REGISTERED
from ullage.detectors.samples import Entry, Kind, Samples
from ullage.detectors.vessel import Vessel

Settings = Mapping[str, object]
"""Composed: detector name to its settings."""


@dataclass(frozen=True, slots=True)
class Framed:
    """A frame, and for each setting of the frozen-sensor detector whether the pressure stood frozen then."""

    frame: Frame
    frozen: tuple[bool, ...]


Item = Framed | Entry | Samples
"""What the slow detectors are fed with: frames, entries, gravity samples."""


@dataclass(slots=True)
class Segment:
    """The part of a log between two beginnings of the detectors; a log without batches in it is one."""

    vessel: Vessel
    items: list[Item] = field(default_factory=list)
    looked: dict[tuple[str, int], list[Finding]] = field(default_factory=dict)
    """Detector and number of its settings to what it found by looking at raw samples."""


def frame_detectors() -> tuple[type[Detector], ...]:
    """Return the detectors that work on frames."""
    return tuple(kind for kind in REGISTERED if _overrides(kind, "frame") or _overrides(kind, "entry"))


def raw_detectors() -> tuple[type[Detector], ...]:
    """Return the detectors that look at raw samples and minutes, and at nothing else."""
    return tuple(kind for kind in REGISTERED if kind not in frame_detectors())


def separable() -> bool:
    """Tell whether every detector is one or the other; if not, only whole replays will do."""
    return not any(_overrides(kind, "look") for kind in frame_detectors())


def _overrides(kind: type[Detector], method: str) -> bool:
    return getattr(kind, method) is not getattr(Detector, method)


class Condensing(Detector):
    """Says nothing; fills a segment.

    Parameters
    ----------
    vessel
        The vessel.
    distinct
        Name of each raw detector to its settings that are to be tried.
    """

    name = "condensing"

    def __init__(self, vessel: Vessel, distinct: Mapping[str, Sequence[object]]) -> None:
        super().__init__(vessel)
        self.segment = Segment(vessel)
        self._copies: list[tuple[tuple[str, int], Detector]] = []
        for kind in raw_detectors():
            make: Callable[[Vessel, object], Detector] = kind
            for number, settings in enumerate(distinct[kind.name]):
                self._copies.append(((kind.name, number), make(vessel, settings)))
                self.segment.looked[kind.name, number] = []
        self._frozen = [copy for _, copy in self._copies if isinstance(copy, Frozen)]

    def look(self, step: Step) -> list[Finding]:
        """Show the step to every copy, and keep gravity and the air's temperature."""
        for key, copy in self._copies:
            self.segment.looked[key] += copy.look(step)
        if len(step.raw):
            beside = (step.raw.kind >= Kind.GRAVITY) & step.plausible
            if beside.any():
                raw = step.raw
                self.segment.items.append(
                    Samples(time_s=raw.time_s[beside], kind=raw.kind[beside], value=raw.value[beside])
                )
        return []

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Keep the frame."""
        frozen = tuple(
            any(start <= frame.end_s < end for start, end in copy.pressure_runs) for copy in self._frozen
        )
        self.segment.items.append(Framed(frame, frozen))
        return []

    def entry(self, entry: Entry, record: Record) -> list[Finding]:
        """Keep the entry."""
        self.segment.items.append(entry)
        return []
