"""Everything that one replay gave, gathered for its report."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ullage.adapters.log_format import BadRows, VesselLog
from ullage.daemon.chart.batch import BatchView, Curve, Rates, marks_of
from ullage.daemon.chart.picture import Mark
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.report.explained import Explained, explain
from ullage.daemon.report.trace import Trace
from ullage.detectors.finding import Finding
from ullage.detectors.samples import Entry, FloatArray, Kind


@dataclass(frozen=True, slots=True, kw_only=True)
class VesselStory:
    """One vessel of a replay."""

    watched: WatchedVessel
    view: BatchView
    told: tuple[Explained, ...]
    """Every finding, in the order of time."""
    span_s: tuple[float, float]
    readings: int
    repeated: int
    trace: Trace

    @property
    def marks(self) -> tuple[Mark, ...]:
        """Findings and entries as numbered in the chart."""
        return self.view.marks


@dataclass(frozen=True, slots=True, kw_only=True)
class Replay:
    """A whole replay."""

    log: str
    """The file's name."""
    vessels: tuple[VesselStory, ...]
    bad_rows: BadRows
    lines: int


def gather(log: VesselLog, watched: WatchedVessel, findings: Sequence[Finding], trace: Trace) -> VesselStory:
    """Put one vessel's readings, findings and looks together."""
    entries = tuple(Entry(time_s=entry.time_s, text=entry.text) for entry in log.entries)
    marks = marks_of(findings, entries)
    pressure = _curve(log, Kind.PRESSURE)
    rates = sorted((at, *rate) for at, rate in trace.rates.items())
    view = BatchView(
        vessel=watched.vessel,
        pressure=pressure,
        temperature=_curve(log, Kind.TEMPERATURE),
        air=_curve(log, Kind.AIR),
        rates=Rates(
            time_s=_column([row[0] for row in rates]),
            rate=_column([row[1] for row in rates]),
            se=_column([row[2] for row in rates]),
        ),
        entries=entries,
        marks=marks,
    )
    numbers = _numbers(findings, entries)
    times = [*(log.time_s[[0, -1]].tolist() if len(log) else []), *(entry.time_s for entry in entries)]
    span_s = (min(times, default=0.0), max(times, default=1.0))
    return VesselStory(
        watched=watched,
        view=view,
        told=tuple(
            _within(explain(finding, number, trace, pressure), span_s)
            for finding, number in zip(findings, numbers, strict=True)
        ),
        span_s=span_s,
        readings=len(log),
        repeated=log.repeated + log.contradicting,
        trace=trace,
    )


def _within(told: Explained, span_s: tuple[float, float]) -> Explained:
    """Return it with a picture that shows no more than a little of the time before and after the log."""
    (start_s, end_s), (first_s, last_s) = told.span_s, span_s
    room_s = 0.05 * (end_s - start_s)
    return replace(told, span_s=(max(start_s, first_s - room_s), min(end_s, last_s + room_s)))


def _numbers(findings: Sequence[Finding], entries: Sequence[Entry]) -> list[int]:
    """Return each finding's number, as `marks_of` gives them out: by time, entries first at the same moment."""
    order = sorted(
        [(entry.time_s, 0, index) for index, entry in enumerate(entries)]
        + [(finding.time_s, 1, index) for index, finding in enumerate(findings)]
    )
    found = [0] * len(findings)
    for number, (_, which, index) in enumerate(order, start=1):
        if which:
            found[index] = number
    return found


def _curve(log: VesselLog, kind: Kind) -> Curve:
    mine = log.kind == kind
    return Curve.of(log.time_s[mine], log.value[mine])


def _column(values: Sequence[float]) -> FloatArray:
    return np.array(values, np.float64)
