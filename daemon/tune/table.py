"""The tuning's result for a person: settings side by side, what became of each batch, and how far to believe it."""

import statistics
from collections.abc import Iterator, Sequence

from ullage.daemon.finding_table import plain
from ullage.daemon.local_time import LocalTime
from ullage.daemon.times import local_text
from ullage.daemon.tune.grid import Variant
from ullage.daemon.tune.score import (
    Cost,
    LeftOut,
    Outcome,
    Standing,
    best,
    cost_of,
    leave_one_out,
    standings,
)
from ullage.daemon.tune.work import Tried

SHOWN = 20
_HEAD = ("No.", "early", "late h, median to most", "not told", "alarms", "nuisance", "cost", "settings", "")


def judge(tried: Sequence[Tried], cost: Cost) -> tuple[tuple[Standing, ...], tuple[LeftOut, ...]]:
    """Return how each setting stands, and what leaving one batch out says; only batches with truth count."""
    known = [one for one in tried if one.batch.truth is not None]
    count = len(tried[0].outcomes) if tried else 0
    table = [[cost_of(one.outcomes[number], cost) for one in known] for number in range(count)]
    return standings(table), leave_one_out(table)


def lines(
    tried: Sequence[Tried], variants: Sequence[Variant], cost: Cost, zone: LocalTime, *, everything: bool
) -> Iterator[str]:
    """Yield the whole output, line by line."""
    found, left_out = judge(tried, cost)
    known = [one for one in tried if one.batch.truth is not None]
    yield from _batches(tried)
    yield ""
    if not known:
        yield (
            "No batch has a truth beside it, so settings can't be told better or worse: write LOG.truth.json, or enter "
            "`true end` in the journal. What each setting does:"
        )
    yield from _settings(tried, variants, found, everything=everything or not known)
    if known:
        yield ""
        yield f"Cost of a batch, in hours of waiting: {cost}."
        winner = best(found)
        yield from _best(tried, variants, winner, zone)
        yield from _believed(known, variants, found, left_out)


def _batches(tried: Sequence[Tried]) -> Iterator[str]:
    for one in tried:
        batch = one.batch
        truth = "truth known" if batch.truth is not None else "no truth"
        bad = f", {batch.bad_rows:,} bad rows left out" if batch.bad_rows else ""
        slow = "; replayed whole for every setting" if batch.whole else ""
        yield f"{plain(batch.name)}: {batch.readings:,} readings, {truth}{bad}{slow}"


def _settings(
    tried: Sequence[Tried], variants: Sequence[Variant], found: Sequence[Standing], *, everything: bool
) -> Iterator[str]:
    """Yield one row a setting, the cheapest first."""
    order = sorted(found, key=lambda standing: (standing.mean, standing.number))
    shown = order if everything else [s for s in order if s.same_as is None][:SHOWN]
    rows: list[tuple[str, ...]] = [_HEAD]
    for standing in shown:
        outcomes = [one.outcomes[standing.number] for one in tried]
        rows.append((*_figures(outcomes, standing), str(variants[standing.number]), _mark(standing)))
    widths = [max(len(row[column]) for row in rows) for column in range(8)]
    for row in rows:
        numbers = "  ".join(row[column].rjust(widths[column]) for column in range(7))
        yield f"{numbers}  {row[7].ljust(widths[7])}  {row[8]}".rstrip()
    if len(shown) < len(order):
        never = sum(standing.worse_than is not None for standing in order)
        same = sum(standing.same_as is not None for standing in order)
        yield (
            f"{len(order)} settings in all: {never} are never better than another one, {same} come out the same as "
            "another one; --all shows them."
        )


def _figures(outcomes: Sequence[Outcome], standing: Standing) -> tuple[str, ...]:
    early = [one for one in outcomes if one.early]
    late = [one.late_h for one in outcomes if one.late_h is not None and one.late_h >= 0]
    nuisance = [one.nuisance for one in outcomes if one.nuisance is not None]
    return (
        str(standing.number + 1),
        str(len(early)),
        f"{statistics.median(late):.0f} to {max(late):.0f}" if late else "-",
        str(sum(one.missed for one in outcomes)),
        f"{statistics.fmean(one.raised for one in outcomes):.1f}",
        f"{statistics.fmean(nuisance):.1f}" if nuisance else "-",
        f"{standing.mean:.1f}",
    )


def _mark(standing: Standing) -> str:
    if standing.same_as is not None:
        return f"same as {standing.same_as + 1}"
    if standing.worse_than is not None:
        return f"never better than {standing.worse_than + 1}"
    return ""


def _best(
    tried: Sequence[Tried], variants: Sequence[Variant], winner: Standing, zone: LocalTime
) -> Iterator[str]:
    yield ""
    yield f"Best: {winner.number + 1}, {variants[winner.number]}. With it:"
    for one in tried:
        result, truth = one.outcomes[winner.number], one.batch.truth
        said = [f"  {plain(one.batch.name)}:"]
        if truth is not None:
            said.append(
                f"over {local_text(truth.end_s, zone)}," if truth.end_s is not None else "never over,"
            )
        if result.suspected_s is not None:
            said.append(f"suspected {local_text(result.suspected_s, zone)},")
        said.append(_finished_words(result, zone))
        if result.withdrawn:
            said.append(f"taken back {result.withdrawn}x,")
        alarms = ", ".join(f"{name} {count}" for name, count in sorted(result.alarms.items()))
        said.append(f"alarms: {alarms or 'none'}")
        yield " ".join(said)


def _finished_words(result: Outcome, zone: LocalTime) -> str:
    if result.finished_s is None:
        return "finished not told,"
    told = f"finished {local_text(result.finished_s, zone)}"
    if result.late_h is None:
        return f"{told},"
    return f"{told} ({abs(result.late_h):.1f} h {'early' if result.early else 'late'}),"


def _believed(
    known: Sequence[Tried],
    variants: Sequence[Variant],
    found: Sequence[Standing],
    left_out: Sequence[LeftOut],
) -> Iterator[str]:
    """Yield what leaving one batch out says."""
    yield ""
    if not left_out:
        yield "One batch alone: believe nothing yet. Tune on several, each judged by settings chosen without it."
        return
    yield "Each batch judged with the setting that the others choose:"
    for one in left_out:
        yield (
            f"  without {plain(known[one.batch].batch.name)}: {one.number + 1}, {variants[one.number]}; on it the cost "
            f"is {one.cost:.1f}"
        )
    honest = statistics.fmean(one.cost for one in left_out)
    yield (
        f"So expect {honest:.1f} on a batch not seen yet, not the {best(found).mean:.1f} above."
        if honest > best(found).mean + 1e-9
        else f"The same {honest:.1f} as above: the choice does not hang on one batch."
    )
