"""How far the stages shown were from the true ones, and the table of it."""

import math
from collections.abc import Sequence

from tests.verdicts.score import Outcome, StageDelay
from tests.verdicts.truth import NEVER, Batch

WITHIN_H = 6.0
"""The figure: a stage is shown within so many hours of the truth."""
SHOWN = ("lag", "active", "held at pressure", "slowing", "finished", "chilling", "cold")
COLUMNS = (
    "stage",
    "valve",
    "n",
    "within 6 h",
    "median",
    "90 % off",
    "earliest",
    "latest",
    "skipped",
    "untrue",
    "dated within 6 h",
    "median",
)


def stage_delays(
    batch: Batch, seen: Sequence[tuple[str, float]], *, dated: bool = False
) -> tuple[StageDelay, ...]:
    """Return the delay of each stage in hours.

    Parameters
    ----------
    batch
        The batch and its truth.
    seen
        Stages as they were first shown, with the moment at which they were (Unix seconds).
    dated
        Whether the moments are those from which on the stages are said to have held: the end then counts from when it truly
        came, not from when it could be known.

    Returns
    -------
    delays
        Infinite for a stage that was never shown, minus infinite for one that was shown and never came.
    """
    first: dict[str, float] = {}
    for stage, time_s in seen:
        if stage == "pitched":
            first.clear()  # what was shown before belongs to the empty vessel
        first.setdefault(stage, time_s)
    true = dict(batch.truth.stage_s)
    if dated and "finished" in true:
        true["finished"] = batch.truth.end_s
    last_s = float(batch.time_s[-1])
    found = []
    for stage in SHOWN:
        if stage in true and true[stage] < last_s - WITHIN_H * 3600:
            found.append((stage, (first.get(stage, NEVER) - true[stage]) / 3600))
        elif stage in first and stage not in true and stage != "finished":
            found.append((stage, -NEVER))  # a `finished` without proof has a figure of its own
    return tuple(found)


def stage_table(outcomes: Sequence[Outcome]) -> str:
    """Return a line for each stage and kind of valve."""
    rows: list[tuple[str, ...]] = [COLUMNS]
    for stage in SHOWN:
        valves = sorted({o.valve for o in outcomes})
        for valve in [*valves, ""]:
            some = [o for o in outcomes if valve in ("", o.valve)]
            hours = [h for o in some for name, h in o.stage_delay_h if name == stage]
            dated = [h for o in some for name, h in o.stage_dated_h if name == stage]
            if hours:
                rows.append((*_row(stage, valve or "all", hours), *_in_time(dated)))
    widths = [max(len(row[i]) for row in rows) for i in range(len(COLUMNS))]
    return "\n".join("  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip() for row in rows)


def _row(stage: str, valve: str, hours: Sequence[float]) -> tuple[str, ...]:
    due = sorted(h for h in hours if h != -math.inf)
    shown = [h for h in due if math.isfinite(h)]
    off = sorted(abs(h) for h in due)
    return (
        stage,
        valve,
        str(len(due)),
        *_in_time(hours),
        _text(off[math.ceil(0.9 * len(off)) - 1]) if off else "-",
        _text(shown[0]) if shown else "-",
        _text(shown[-1]) if shown else "-",
        str(len(due) - len(shown)),
        str(sum(h == -math.inf for h in hours)),
    )


def _in_time(hours: Sequence[float]) -> tuple[str, str]:
    """Return the share within the figure, and the median."""
    due = sorted(h for h in hours if h != -math.inf)
    if not due:
        return "-", "-"
    within = sum(abs(h) <= WITHIN_H for h in due)
    return f"{100 * within / len(due):.0f} %", _text(due[math.ceil(0.5 * len(due)) - 1])


def _text(hours: float) -> str:
    return "never" if math.isinf(hours) else f"{hours:.1f} h"
