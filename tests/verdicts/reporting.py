"""The same batches as other senders would report them: rarely, on change only, smoothed, rounded, or without a thermometer.

Each way is a function from samples to samples. Gravities are left as they are.
"""

from collections.abc import Callable, Mapping

import numpy as np

from ullage.detectors.samples import FloatArray, Kind, Samples

Change = Callable[[Kind, FloatArray, FloatArray], tuple[FloatArray, FloatArray]]
"""From the times (s) and values of one quantity to those that are reported."""


def _each(samples: Samples, change: Change) -> Samples:
    parts = []
    for kind in Kind:
        mine = samples.kind == kind
        time_s, value = samples.time_s[mine], samples.value[mine]
        if kind != Kind.GRAVITY and len(time_s):
            time_s, value = change(kind, time_s, value)
        parts.append((np.full(len(time_s), kind, samples.kind.dtype), time_s, value))
    code, at_s, values = (np.concatenate([part[column] for part in parts]) for column in range(3))
    order = np.argsort(at_s, kind="stable")
    return Samples(time_s=at_s[order], kind=code[order], value=values[order])


def _every(interval_s: float) -> Change:
    def change(_: Kind, time_s: FloatArray, value: FloatArray) -> tuple[FloatArray, FloatArray]:
        kept, next_s = [], -np.inf
        for row, at_s in enumerate(time_s.tolist()):
            if at_s >= next_s:
                kept.append(row)
                next_s = at_s + interval_s - 1
        return time_s[kept], value[kept]

    return change


def _on_change(bar: float, kelvin: float, beat_s: float) -> Change:
    def change(kind: Kind, time_s: FloatArray, value: FloatArray) -> tuple[FloatArray, FloatArray]:
        least = bar if kind == Kind.PRESSURE else kelvin
        kept, last_s, last = [], -np.inf, np.inf
        for row, (at_s, one) in enumerate(zip(time_s.tolist(), value.tolist(), strict=True)):
            if abs(one - last) >= least or at_s >= last_s + beat_s:
                kept.append(row)
                last_s, last = at_s, one
        return time_s[kept], value[kept]

    return change


def _smoothed(tau_s: float) -> Change:
    def change(_: Kind, time_s: FloatArray, value: FloatArray) -> tuple[FloatArray, FloatArray]:
        shown = value.copy()
        gain = -np.expm1(-np.diff(time_s) / tau_s)
        for row in range(1, len(shown)):
            shown[row] = shown[row - 1] + gain[row - 1] * (value[row] - shown[row - 1])
        return time_s, np.round(shown, 3)

    return change


def _rounded(bar: float, kelvin: float) -> Change:
    def change(kind: Kind, time_s: FloatArray, value: FloatArray) -> tuple[FloatArray, FloatArray]:
        step = bar if kind == Kind.PRESSURE else kelvin
        return time_s, np.round(value / step) * step

    return change


def _no_thermometer(kind: Kind, time_s: FloatArray, value: FloatArray) -> tuple[FloatArray, FloatArray]:
    return (time_s[:0], value[:0]) if kind == Kind.TEMPERATURE else (time_s, value)


WAYS: Mapping[str, Change | None] = {
    "as-recorded": None,
    "every-10-min": _every(600),
    "every-15-min": _every(900),
    "every-30-min": _every(1800),
    "on-change": _on_change(0.01, 0.1, 3600),
    "on-change-or-10-min": _on_change(0.02, 0.2, 600),
    "smoothed-1-min": _smoothed(60),
    "smoothed-5-min": _smoothed(300),
    "rounded": _rounded(0.01, 0.1),
    "no-thermometer": _no_thermometer,
}
"""Every way by its name: on change is by 0.01 bar or 0.1 K and once an hour, or by twice that and every ten minutes."""


def report(samples: Samples, way: str) -> Samples:
    """Return the samples as a sender reports them that does it this way, a key of `WAYS`."""
    change = WAYS[way]
    return samples if change is None else _each(samples, change)
