"""Who judges a batch: the project's own watch, and two plain rules of thumb for comparison."""

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np

from tests.verdicts.truth import Batch
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.registry import compose
from ullage.detectors.samples import Kind
from ullage.detectors.watch import VesselWatch

Judge = Callable[[Batch], Sequence[Finding]]

ShownStage = tuple[str, float]
BLOCK_S = 3600.0
"""Samples go to the watch in blocks of an hour, each followed by a tick, as the daemon would do more finely."""


def watch(batch: Batch) -> list[Finding]:
    """Judge with `VesselWatch`."""
    return watch_stages(batch)[0]


def watch_stages(batch: Batch) -> tuple[list[Finding], list[ShownStage], list[ShownStage]]:
    """Judge with `VesselWatch`, entries at their places; return findings, stages with when each was shown, and as they are dated.

    A finding counts from the start of its block at least: within a block a detector might date a finding back to before
    it could know; blocks are short beside the hours that are scored, and a date before the block is moved up to it. So
    are the stages'.
    """
    judge = VesselWatch(batch.vessel, compose({}))
    samples, found = batch.samples, []
    stages: list[ShownStage] = []
    first, last = float(samples.time_s[0]), float(samples.time_s[-1])
    # The last block ends just behind the last sample: nothing is silent because the recording is over.
    cuts = [(t, None) for t in [*np.arange(first + BLOCK_S, last, BLOCK_S).tolist(), last + 1e-3]]
    stops = sorted([*cuts, *((e.time_s, e) for e in batch.entries)], key=lambda stop: stop[0])
    row, since = 0, first
    for until, entry in stops:
        upto = int(np.searchsorted(samples.time_s, until, side="left"))
        said = [*judge.update(samples.cut(row, upto))] if upto > row else []
        said += judge.enter(entry) if entry is not None else judge.tick(until)
        for finding in said:
            found.append((max(finding.time_s, since), finding))
        stages += [
            (change.stage.value, max(change.since_s, since)) for change in judge.record.stages[len(stages) :]
        ]
        row, since = upto, until
    dated = [(change.stage.value, change.since_s) for change in judge.record.stages]
    return [_dated(finding, at) for at, finding in found], stages, dated


def _dated(finding: Finding, at: float) -> Finding:
    """Return the finding with the moment at which it could be known."""
    if finding.time_s == at:
        return finding
    return Finding(
        time_s=at,
        vessel=finding.vessel,
        condition=finding.condition,
        state=finding.state,
        priority=finding.priority,
        text=finding.text,
        subject=finding.subject,
        value=finding.value,
        limit=finding.limit,
        unit=finding.unit,
        rate_g_per_l_day=finding.rate_g_per_l_day,
        evidence=finding.evidence,
    )


def _hourly(batch: Batch) -> tuple[np.ndarray, np.ndarray]:
    """Return the hourly medians of pressure (hours with no reading left out) and the ends of those hours."""
    rows = batch.codes == Kind.PRESSURE
    at, value = batch.time_s[rows], batch.value[rows]
    hour = np.floor((at - at[0]) / 3600).astype(int)
    edges = np.flatnonzero(np.diff(hour, prepend=-1))
    medians = np.array([np.median(part) for part in np.split(value, edges[1:])])
    return at[0] + (hour[edges] + 1) * 3600.0, medians


def _finished(at: float) -> list[Finding]:
    return [
        Finding(
            time_s=at,
            vessel="bench",
            condition=Condition.FINISHED,
            state=State.NOTED,
            priority=Priority.LOW,
            text="flat",
        )
    ]


def slope_rule(batch: Batch, window_h: int = 24, least_bar_per_h: float = 0.001) -> list[Finding]:
    """Finished when the slope of pressure over a day is below 1 mbar/h, once it has risen to 0.3 bar."""
    at, bar = _hourly(batch)
    x = np.arange(window_h) - (window_h - 1) / 2
    for i in range(window_h, len(at) + 1):
        part = bar[i - window_h : i]
        if part.min() > 0.3 and abs(float(x @ part) / float(x @ x)) < least_bar_per_h:
            return _finished(float(at[i - 1]))
    return []


def unchanged_rule(batch: Batch, window_h: int = 48, least_bar: float = 0.02) -> list[Finding]:
    """Finished when pressure has stayed within 20 mbar for two days, as brewers take unchanged gravity."""
    at, bar = _hourly(batch)
    for i in range(window_h, len(at) + 1):
        part = bar[i - window_h : i]
        if part.min() > 0.3 and float(np.ptp(part)) < least_bar:
            return _finished(float(at[i - 1]))
    return []


JUDGES: dict[str, Judge] = {
    "watch": watch,
    "slope": slope_rule,
    "slope-48": partial(slope_rule, window_h=48),
    "unchanged": unchanged_rule,
}
