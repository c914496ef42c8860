"""Look at one batch in the terminal: `python -m tests.verdicts.show KIND SEED`."""

import sys

import numpy as np

from tests.verdicts.generator import make_batch
from tests.verdicts.judges import JUDGES
from tests.verdicts.trigger import FloatArray
from tests.verdicts.truth import Batch
from ullage.detectors.samples import Kind

BARS = " ▁▂▃▄▅▆▇█"
WIDTH = 100


def sparkline(values: FloatArray, low: float, high: float) -> str:
    """Return one character per value between low and high; a blank where there is none."""
    scale = (len(BARS) - 2) / max(high - low, 1e-9)
    return "".join(
        " " if not np.isfinite(v) else BARS[1 + int(min(max((v - low) * scale, 0), len(BARS) - 2))]
        for v in values
    )


def _binned(batch: Batch, kind: Kind) -> FloatArray:
    rows = batch.codes == kind
    at, value = batch.time_s[rows], batch.value[rows]
    edges = np.linspace(batch.time_s[0], batch.time_s[-1], WIDTH + 1)
    place = np.clip(np.searchsorted(edges, at, side="right") - 1, 0, WIDTH - 1)
    return np.array([np.median(value[place == i]) if (place == i).any() else np.nan for i in range(WIDTH)])


def describe(batch: Batch) -> str:
    """Return the batch as text: vessel, curves, moments of truth and journal."""
    t = batch.truth
    span_h = (batch.time_s[-1] - batch.time_s[0]) / 3600
    centres = np.linspace(batch.time_s[0], batch.time_s[-1], WIDTH)
    rate = np.array([t.rate(s) for s in centres])
    lines = [f"{batch.kind} {batch.seed}: {len(batch.time_s)} samples in {span_h:.0f} h", str(batch.vessel)]
    for name, curve in (
        ("bar", _binned(batch, Kind.PRESSURE)),
        ("°C", _binned(batch, Kind.TEMPERATURE)),
        ("g/L/d", rate),
    ):
        low, high = float(np.nanmin(curve)), float(np.nanmax(curve))
        lines.append(f"{sparkline(curve, low, high)} {low:.2f} to {high:.2f} {name}")
    moments = {
        "activity": t.activity_s,
        "0.9 made": t.ninety_s,
        "end": t.end_s,
        "evidence": t.evidence_s,
        "stall": t.stall_s,
        "leak": t.leak_start_s,
        "leak visible": t.leak_visible_s,
        "chill": t.chilled_s,
        "over limit": t.over_limit_s,
        "resumed": t.resumed_s,
    }
    told = [f"{k} {(v - t.start_s) / 3600:.1f} h" for k, v in moments.items() if np.isfinite(v)]
    told += (
        [f"frozen {(t.frozen[0] - t.start_s) / 3600:.1f} to {(t.frozen[1] - t.start_s) / 3600:.1f} h"]
        if t.frozen
        else []
    )
    lines += [f"expects {t.expects}; total {t.total_g_per_l:.1f} g/L; " + ", ".join(told)]
    for test in t.early_tests:
        low, high = (test.from_s - t.start_s) / 3600, (test.to_s - t.start_s) / 3600
        lines.append(
            f"early test {low:.1f} to {high:.1f} h, {test.rate_g_per_l_day:.2f} g/L/d, {test.to_come_g_per_l:.1f} g/L to come"
        )
    lines += [f"journal {(e.time_s - t.start_s) / 3600:.1f} h: {e.text}" for e in batch.entries]
    return "\n".join(lines)


def findings(batch: Batch) -> str:
    """Return what the watch says of the batch, one line each, with what was still to come."""
    lines = []
    for f in JUDGES["watch"](batch):
        hours = (f.time_s - batch.truth.start_s) / 3600
        to_come = batch.truth.co2_to_come(f.time_s)
        lines.append(
            f"{hours:7.1f} h  {to_come:5.2f} to come  {f.condition} {f.state}: {f.text} {list(f.evidence)}"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    shown = make_batch(sys.argv[1], int(sys.argv[2]))
    print(describe(shown), findings(shown), sep="\n")
