"""Print the benchmark of verdicts: `python -m tests.verdicts --set tuning --per-kind 12 --jobs 2`."""

import argparse
import json
import math
import sys
import time
import traceback
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, replace

from tests.verdicts.figures import figures, speed, table
from tests.verdicts.generator import make_batch
from tests.verdicts.judges import JUDGES, ShownStage, watch_stages
from tests.verdicts.reporting import WAYS, report
from tests.verdicts.score import Outcome, score
from tests.verdicts.scripts import KINDS
from tests.verdicts.stage_score import stage_delays, stage_table
from ullage.detectors.finding import Finding

FIRST_SEED = {"tuning": 0, "unseen": 1_000_000}

Task = tuple[str, int, tuple[str, ...], str]
"""Kind, seed, judges, and the way in which the sensors report."""


def run_one(task: Task) -> list[tuple[str, Outcome, float]]:
    """Make one batch and let every judge named look at it; return judge, outcome and seconds of judging."""
    kind, seed, judges, way = task
    batch = make_batch(kind, seed)
    batch = replace(batch, samples=report(batch.samples, way))
    out = []
    for name in judges:
        start, error = time.process_time(), ""
        found: Sequence[Finding] = ()
        shown: Sequence[ShownStage] = ()
        dated: Sequence[ShownStage] = ()
        try:
            if name == "watch":
                found, shown, dated = watch_stages(batch)
            else:
                found = JUDGES[name](batch)
        except Exception:  # noqa: BLE001 - a judge that falls over is a result, not the benchmark's end
            error = traceback.format_exc()
        spent = time.process_time() - start
        outcome = score(batch, found, error)
        if name == "watch":
            outcome = replace(
                outcome,
                stage_delay_h=stage_delays(batch, shown),
                stage_dated_h=stage_delays(batch, dated, dated=True),
            )
        out.append((name, outcome, spent))
    return out


def _arguments(argv: Sequence[str] | None) -> argparse.Namespace:
    p = argparse.ArgumentParser(prog="python -m tests.verdicts", description=__doc__)
    p.add_argument(
        "--set", choices=sorted(FIRST_SEED), default="tuning", help="unseen is for the final table only"
    )
    p.add_argument("--per-kind", type=int, default=12, metavar="N")
    p.add_argument("--first", type=int, default=0, metavar="N", help="skip the first N seeds of the set")
    p.add_argument("--kinds", nargs="+", choices=sorted(KINDS), metavar="KIND")
    p.add_argument("--judges", nargs="+", choices=sorted(JUDGES), default=list(JUDGES), metavar="JUDGE")
    p.add_argument(
        "--sensors", choices=list(WAYS), default="as-recorded", metavar="WAY",
        help=f"how readings are reported: {', '.join(WAYS)}",
    )  # fmt: skip
    p.add_argument("--jobs", type=int, default=2)
    p.add_argument(
        "--worst", type=int, default=0, metavar="N", help="list up to N seeds that spoil each figure"
    )
    p.add_argument("--json", action="store_true", help="print every outcome and figure as JSON")
    return p.parse_args(argv)


def _plain(value: object) -> object:
    """Return the value with numbers that JSON cannot carry made text."""
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    return [_plain(v) for v in value] if isinstance(value, list | tuple) else value


def told(name: str, outcomes: Sequence[Outcome], seconds: float, worst: int) -> str:
    """Return the table and figures of one judge as text."""
    lines = [f"== {name}", table(outcomes), ""]
    for f in figures(outcomes):
        mark = {True: "met    ", False: "NOT MET", None: "-      "}[f.met]
        lines.append(f"{mark}  {f.name}: {f.text}")
        if worst and f.bad:
            lines.append("           " + ", ".join(f"{k} {s}" for k, s in f.bad[:worst]))
    errors = [o.error for o in outcomes if o.error]
    lines += ["", errors[0]] if errors else []
    lines += ["", "stages, hours after the truth", stage_table(outcomes), ""]
    return "\n".join([*lines, speed(outcomes, seconds), ""])


def brief(name: str, outcomes: Sequence[Outcome]) -> str:
    """Return a comparison judge in one paragraph: calls only."""
    by_kind = []
    for kind in dict.fromkeys(o.kind for o in outcomes):
        part = [o for o in outcomes if o.kind == kind]
        by_kind.append(f"{kind} {sum(o.early for o in part)}/{len(part)}")
    early = sum(o.early for o in outcomes)
    ends = [o for o in outcomes if o.expects != "none"]
    delays = figures(outcomes)[1]
    return (
        f"== {name} (comparison): called too early in {early} of {len(outcomes)} batches "
        f"(in {sum(o.early for o in ends)} of {len(ends)} that come to an end); {delays.text}\n"
        f"   too early by kind: {', '.join(by_kind)}\n"
    )


def main(argv: Sequence[str] | None = None) -> int:
    """Run the benchmark; return 0 whether or not the figures are met, as the table is what is asked for."""
    args = _arguments(argv)
    first = FIRST_SEED[args.set] + args.first
    judges = tuple(args.judges)
    tasks: list[Task] = [
        (kind, seed, judges, args.sensors)
        for kind in (args.kinds or KINDS)
        for seed in range(first, first + args.per_kind)
    ]
    if args.jobs > 1:
        with ProcessPoolExecutor(args.jobs) as pool:
            results = list(pool.map(run_one, tasks, chunksize=4))
    else:
        results = [run_one(task) for task in tasks]
    by_judge = {name: [r for one in results for r in one if r[0] == name] for name in judges}
    if args.json:
        data = {
            name: {
                "figures": [_plain(asdict(f)) for f in figures([o for _, o, _ in rows])],
                "outcomes": [_plain(asdict(o)) for _, o, _ in rows],
            }
            for name, rows in by_judge.items()
        }
        json.dump(data, sys.stdout)
        return 0
    print(
        f"{len(tasks)} batches, set {args.set}, seeds {first} to {first + args.per_kind - 1} of every kind\n"
    )
    for name, rows in by_judge.items():
        outcomes = [o for _, o, _ in rows]
        print(
            told(name, outcomes, sum(s for _, _, s in rows), args.worst)
            if name == "watch"
            else brief(name, outcomes)
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
