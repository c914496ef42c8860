"""Which alarms the truth of a batch calls for or excuses; all others are nuisances. Times in hours from pitching."""

from collections.abc import Iterator

import numpy as np

from tests.verdicts.run import Run, due
from tests.verdicts.sensors import Span
from tests.verdicts.trigger import Flags, FloatArray
from tests.verdicts.truth import NEVER, Allowed
from ullage.detectors.finding import Condition
from ullage.detectors.samples import Kind, Samples
from ullage.detectors.vessel import Vessel

LONG_LAG_H = 36.0
"""A lag beyond which an alarm about no activity is no nuisance."""

Excuse = tuple[Condition, float, float]


def _spans(hours: FloatArray, ok: Flags, margin_h: float) -> list[Span]:
    """Return the spells in which `ok` holds, widened by a margin."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], ok.astype(int), [0]])))
    return [
        (float(hours[a]) - margin_h, float(hours[min(b, len(hours) - 1)]) + margin_h)
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    ]


def _by_pressure(run: Run, vessel: Vessel) -> Iterator[Excuse]:
    """Alarms about pressure that the true pressure bears out."""
    h, pressure = run.hours, np.array(run.state.pressure)
    # A rise that would come to the rated limit within half a day, where no working valve stands in between.
    ahead = np.interp(h + 0.5, h, pressure)
    free = pressure > (vessel.valve_pressure_bar or 0.0) + 0.05
    soon = pressure + (ahead - pressure) * 24 > vessel.rated_pressure_bar
    for low, high in _spans(h, free & soon, 2.0):
        yield Condition.PRESSURE_RISING, low, high
    for low, back, _ in run.shuts:
        yield Condition.PRESSURE_RISING, low, back
    for low, high in _spans(h, pressure < 0.12, 1.0):
        yield Condition.PRESSURE_LOW, low, high


def _by_temperature(run: Run, vessel: Vessel, samples: Samples) -> Iterator[Excuse]:
    """Alarms about temperature that the readings bear out, and all that a deliberate chill may set off."""
    r = run.recipe
    if any(c.target_c < r.low_c for c in r.changes):
        cold = min(due(run.course, c.trigger) for c in r.changes if c.target_c < r.low_c)
        for condition in (Condition.PRESSURE_LOW, Condition.TEMPERATURE_LOW, Condition.STALLED):
            yield condition, cold, NEVER
    if vessel.yeast_temperature_c is None:
        return
    rows = samples.kind == Kind.TEMPERATURE
    at, value = samples.time_s[rows], samples.value[rows]
    bottom, top = vessel.yeast_temperature_c
    sane = (value > -20) & (value < 60)
    for low, high in _spans(at, sane & (value < bottom + 0.1), 3.0):
        yield Condition.TEMPERATURE_LOW, low, high
    for low, high in _spans(at, sane & (value > top - 0.1), 3.0):
        yield Condition.TEMPERATURE_HIGH, low, high


def _by_fault(run: Run, frozen: Span | None, stall_h: float) -> Iterator[Excuse]:
    """Alarms that the fault of the batch calls for."""
    r = run.recipe
    if r.yeast.lag_h > LONG_LAG_H:
        yield Condition.NO_ACTIVITY, 20.0, NEVER
    if r.yeast.lag_h > 1000:
        yield Condition.STALLED, 20.0, NEVER
    if stall_h < NEVER:
        yield Condition.STALLED, stall_h - 6, NEVER
    if r.leak is not None:
        start = due(run.course, r.leak.trigger)
        yield Condition.LEAK, start, NEVER
        yield Condition.PRESSURE_LOW, start, NEVER
    if frozen is not None:
        yield Condition.SENSOR_FROZEN, *frozen


def allowed_alarms(
    run: Run, vessel: Vessel, samples: Samples, frozen: Span | None, stall_h: float
) -> list[Allowed]:
    """Return every alarm that the truth calls for or excuses, in hours; `samples` count hours too."""
    excuses = [
        *_by_pressure(run, vessel),
        *_by_temperature(run, vessel, samples),
        *_by_fault(run, frozen, stall_h),
        *_silences(run, samples),
    ]
    return [Allowed(condition=c, from_s=low, to_s=high) for c, low, high in excuses if low < NEVER]


def _silences(run: Run, samples: Samples) -> Iterator[Excuse]:
    """Return where a sensor is silent for a quarter of an hour or five intervals, in hours."""
    for kind in (Kind.PRESSURE, Kind.TEMPERATURE):
        at = samples.time_s[samples.kind == kind]
        every = run.recipe.sampling.temperature_every if kind == Kind.TEMPERATURE else 1
        least = max(0.25, 5 * every * run.recipe.sampling.interval_s / 3600)
        for row in np.flatnonzero(np.diff(at) > least).tolist():
            yield Condition.SENSOR_SILENT, float(at[row]), float(at[row + 1]) + 1.0
