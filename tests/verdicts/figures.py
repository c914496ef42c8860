"""The table by kind, and the figures that the verdicts must reach."""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from tests.verdicts.score import Outcome

COLUMNS = [
    *("kind", "n", "early", "called", "med_h", "p90_h", "missed", "susp<.9", "susp_24h"),
    *("answer", "leak_h", "stall_h", "froz_h", "nuis/batch", "undone", "stuck"),
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure to reach: whether it is met and how it came out; `bad` are the batches that spoil it."""

    name: str
    met: bool | None
    text: str
    bad: tuple[tuple[str, int], ...] = ()


def quantile(values: Sequence[float], q: float) -> float:
    """Return the q-quantile, the value at or above it, so that misses (infinite) count and never mix with others."""
    if not values:
        return math.nan
    return sorted(values)[min(math.ceil(q * len(values)) - 1, len(values) - 1) if q > 0 else 0]


def _known(values: Iterable[float | None]) -> list[float]:
    return [v for v in values if v is not None]


def _show(value: float, digits: int = 1) -> str:
    if math.isnan(value):
        return "-"
    return "never" if math.isinf(value) else f"{value:.{digits}f}"


def row(kind: str, outcomes: Sequence[Outcome]) -> list[str]:
    """Return the cells of one line of the table."""
    n = len(outcomes)
    delays = _known(o.delay_h for o in outcomes)
    passive = [o for o in outcomes if o.suspected_delay_h is not None]
    answers = [a for o in outcomes for a in o.test_answer_h]
    leaks = _known(o.leak_h for o in outcomes)
    stalls = _known(o.stall_h for o in outcomes)
    frozen = _known(o.frozen_h for o in outcomes)
    soon = sum(1 for o in passive if (o.suspected_delay_h or 0.0) <= 24)
    return [
        kind,
        str(n),
        str(sum(o.early for o in outcomes)) + ("*" if any(o.excused for o in outcomes) else ""),
        str(sum(o.called for o in outcomes)),
        _show(quantile(delays, 0.5)),
        _show(quantile(delays, 0.9)),
        f"{sum(math.isinf(d) for d in delays)}/{len(delays)}" if delays else "-",
        str(sum(1 for o in passive if o.suspected_fraction is not None and o.suspected_fraction < 0.9))
        if passive
        else "-",
        f"{soon}/{len(passive)}" if passive else "-",
        f"{sum(a <= 1.5 for a in answers)}/{len(answers)}" if answers else "-",
        f"{_show(quantile(leaks, 0.5))}/{_show(quantile(leaks, 1.0))}" if leaks else "-",
        f"{_show(quantile(stalls, 0.5))}/{_show(quantile(stalls, 1.0))}" if stalls else "-",
        f"{_show(quantile(frozen, 0.5))}/{_show(quantile(frozen, 1.0))}" if frozen else "-",
        f"{sum(len(o.nuisance) for o in outcomes) / n:.2f}",
        str(sum(o.withdrawn for o in outcomes)),
        str(sum(o.still_for_good for o in outcomes)),
    ]


def table(outcomes: Sequence[Outcome]) -> str:
    """Return the table by kind as text."""
    kinds = list(dict.fromkeys(o.kind for o in outcomes))
    rows = [list(COLUMNS)]
    rows += [row(kind, [o for o in outcomes if o.kind == kind]) for kind in kinds]
    rows.append(row("all", outcomes))
    widths = [max(len(r[i]) for r in rows) for i in range(len(COLUMNS))]
    lines = [
        "  ".join(
            c.ljust(w) if i == 0 else c.rjust(w) for i, (c, w) in enumerate(zip(r, widths, strict=True))
        )
        for r in rows
    ]
    return "\n".join(lines)


def _all_within(
    name: str, outcomes: Sequence[Outcome], value: Callable[[Outcome], float | None], most: float, unit: str
) -> Figure:
    """Return the figure `every batch within most`."""
    known = [(o, v) for o in outcomes if (v := value(o)) is not None]
    bad = tuple((o.kind, o.seed) for o, v in known if not v <= most)
    worst = max((v for _, v in known), default=math.nan)
    text = f"{len(known) - len(bad)} of {len(known)}; worst {_show(worst)} {unit}"
    return Figure(name=name, met=not bad if known else None, text=text, bad=bad)


def _none(name: str, outcomes: Sequence[Outcome], wrong: Callable[[Outcome], bool]) -> Figure:
    bad = tuple((o.kind, o.seed) for o in outcomes if wrong(o))
    return Figure(name=name, met=not bad, text=f"{len(bad)} of {len(outcomes)}", bad=bad)


def _delays(name: str, outcomes: Sequence[Outcome], median_h: float, ninety_h: float) -> Figure:
    known = [(o, o.delay_h) for o in outcomes if o.delay_h is not None]
    values = [v for _, v in known]
    med, p90 = quantile(values, 0.5), quantile(values, 0.9)
    missed = sum(math.isinf(v) for v in values)
    return Figure(
        name=name,
        met=med <= median_h and p90 <= ninety_h if known else None,
        text=f"median {_show(med)} h, 90 % {_show(p90)} h, missed {missed} of {len(known)}",
        bad=tuple((o.kind, o.seed) for o, v in sorted(known, key=lambda k: -k[1]) if v > ninety_h),
    )


def _suspected(outcomes: Sequence[Outcome]) -> list[Figure]:
    passive = [o for o in outcomes if o.suspected_delay_h is not None]
    early = _none(
        "finish-suspected before 90 % made",
        [o for o in outcomes if o.expects == "suspected"],
        lambda o: o.suspected_fraction is not None and o.suspected_fraction < 0.9,
    )
    late = tuple((o.kind, o.seed) for o in passive if not (o.suspected_delay_h or 0.0) <= 24)
    share = 1 - len(late) / len(passive) if passive else math.nan
    text = f"{_show(100 * share, 0)} % of {len(passive)}"
    met = share >= 0.8 if passive else None
    return [
        early,
        Figure(name="finish-suspected within 24 h of the end in 80 %", met=met, text=text, bad=late),
    ]


def _nuisance(outcomes: Sequence[Outcome]) -> Figure:
    sound = [o for o in outcomes if o.sound]
    count = sum(len(o.nuisance) for o in sound)
    share = count / len(sound) if sound else math.nan
    which = sorted({n for o in sound for n in o.nuisance})
    per = ", ".join(f"{name} {sum(o.nuisance.count(name) for o in sound)}" for name in which)
    return Figure(
        name="nuisance alarms, at most 0.1 a sound batch",
        met=share <= 0.1 if sound else None,
        text=f"{count} in {len(sound)} = {_show(share, 3)}" + (f": {per}" if per else ""),
        bad=tuple((o.kind, o.seed) for o in sound if o.nuisance),
    )


def figures(outcomes: Sequence[Outcome]) -> list[Figure]:
    """Return every figure with whether it is met (None where no batch bears on it)."""
    plain = [o for o in outcomes if not o.supersaturated]
    over = [o for o in outcomes if o.over_delay_readings is not None]
    return [
        _none("finished with more than 0.4 g/L to come: 0", outcomes, lambda o: o.early),
        _delays("finished after truth and evidence: median 6 h, 90 % 12 h", plain, 6, 12),
        *_suspected(outcomes),
        _all_within(
            "early test answered within 1.5 h",
            outcomes,
            lambda o: max(o.test_answer_h) if o.test_answer_h else None,
            1.5,
            "h",
        ),
        _none("early test answered with the limit near: 0", outcomes, lambda o: o.test_near_limit),
        _all_within(
            "over-pressure raised by the second reading",
            over,
            lambda o: o.over_delay_readings,
            0,
            "readings late",
        ),
        _none("over-pressure raised by a spike: 0", outcomes, lambda o: o.over_false > 0),
        _all_within("frozen sensor within 3 h", outcomes, lambda o: o.frozen_h, 3, "h"),
        _all_within(
            "leak of 0.02 /h or more within 12 h of being visible",
            [o for o in outcomes if o.leak_per_h >= 0.02],
            lambda o: o.leak_h,
            12,
            "h",
        ),
        _all_within(
            "stall by cold within 12 h", [o for o in outcomes if o.stall_cold], lambda o: o.stall_h, 12, "h"
        ),
        _nuisance(outcomes),
        _delays("supersaturated: median 18 h, 90 % 24 h", [o for o in outcomes if o.supersaturated], 18, 24),
        _none("still-fermenting for good though ended: 0", outcomes, lambda o: o.still_for_good),
        _none("finished taken back though ended: 0", outcomes, lambda o: o.withdrawn),
        _all_within("finished in the cold taken back within 12 h", outcomes, lambda o: o.resumed_h, 12, "h"),
        _all_within(
            "(no figure set) smaller leaks within 24 h",
            [o for o in outcomes if 0 < o.leak_per_h < 0.02],
            lambda o: o.leak_h,
            24,
            "h",
        ),
        _all_within(
            "(no figure set) unexplained stall within 48 h",
            [o for o in outcomes if o.kind == "stall_unexplained"],
            lambda o: o.stall_h,
            48,
            "h",
        ),
        _all_within("(no figure set) no-activity within 72 h", outcomes, lambda o: o.no_activity_h, 72, "h"),
        _all_within(
            "(no figure set) pressure-rising ahead of the limit",
            outcomes,
            lambda o: -o.rising_lead_h if o.rising_lead_h is not None else None,
            0,
            "h after",
        ),
        _none("judge failed with an exception: 0", outcomes, lambda o: bool(o.error)),
    ]


def speed(outcomes: Sequence[Outcome], seconds: float) -> str:
    """Return readings a second of judging."""
    count = int(np.sum([o.readings for o in outcomes]))
    return (
        f"{count} readings judged in {seconds:.1f} s of computing: {count / max(seconds, 1e-9):,.0f} a second"
    )
