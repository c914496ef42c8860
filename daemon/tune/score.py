"""How good a setting is: verdicts against truth, nuisance alarms, and what all of it costs."""

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields

from ullage.adapters.errors import ConfigError
from ullage.daemon.tune.truth import Truth
from ullage.detectors.finding import NOTICES, Condition, Finding, State

_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What each fault costs, in hours of waiting; an early end can ruin the batch or burst a keg, a late one only waits."""

    early: float = 100.0
    """For an end told before it was."""
    early_hour: float = 10.0
    """For each hour of that, at most 48."""
    late_hour: float = 1.0
    missed: float = 120.0
    """For an end that was and is never told; also the most that lateness costs."""
    nuisance: float = 6.0
    """For an alarm that was not right."""

    def __str__(self) -> str:
        return ", ".join(f"{f.name}={getattr(self, f.name):g}" for f in fields(self))


def parse_cost(given: Sequence[str]) -> Cost:
    """Read `early=100` and the like.

    Raises
    ------
    ConfigError
        If a name is unknown or a number isn't one.
    """
    known = {f.name for f in fields(Cost)}
    values: dict[str, float] = {}
    for text in given:
        name, equals, number = text.partition("=")
        try:
            values[name] = float(number)
        except ValueError:
            values[name] = -1.0
        if name not in known or not equals or not 0 <= values[name] < 1e9:
            raise ConfigError(
                "--cost", f"{text!r} is not NAME=NUMBER", f"names are {', '.join(sorted(known))}"
            )
    return Cost(**values)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One batch with one setting."""

    suspected_s: float | None
    finished_s: float | None
    """When `finished` was first told, Unix seconds."""
    withdrawn: int
    """How often it was taken back."""
    alarms: Mapping[str, int]
    """Condition to how often it was raised."""
    late_h: float | None
    """Hours from the true end to `finished`; below 0 it was early. None without truth or without either."""
    missed: bool
    """There was an end, and it was not told."""
    nuisance: int | None
    """Alarms that were not right; None without truth."""

    @property
    def early(self) -> bool:
        """Whether the end was told before it was."""
        return self.late_h is not None and self.late_h < 0

    @property
    def raised(self) -> int:
        """Alarms in all."""
        return sum(self.alarms.values())


def outcome(findings: Sequence[Finding], truth: Truth | None) -> Outcome:
    """Return what became of one batch."""
    alarms: dict[str, int] = {}
    for finding in findings:
        if finding.state is State.RAISED and finding.condition not in NOTICES:
            alarms[finding.condition.value] = alarms.get(finding.condition.value, 0) + 1
    finished_s = _first(findings, Condition.FINISHED)
    late_h, missed = None, False
    if truth is not None:
        late_h, missed = _lateness(finished_s, truth)
    return Outcome(
        suspected_s=_first(findings, Condition.FINISH_SUSPECTED),
        finished_s=finished_s,
        withdrawn=_withdrawn(findings),
        alarms=alarms,
        late_h=late_h,
        missed=missed,
        nuisance=None
        if truth is None
        else sum(count for name, count in alarms.items() if name not in truth.alarms),
    )


def cost_of(one: Outcome, cost: Cost) -> float:
    """Return what a batch costs; 0 for one without truth."""
    if one.nuisance is None:
        return 0.0
    total = cost.nuisance * one.nuisance
    if one.missed:
        return total + cost.missed
    if one.late_h is None:
        return total
    if one.late_h < 0:
        return total + cost.early + cost.early_hour * min(-one.late_h, 48.0)
    return total + min(cost.late_hour * one.late_h, cost.missed)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How a setting stands over all batches."""

    number: int
    costs: tuple[float, ...]
    """One a batch."""
    worse_than: int | None = None
    """Number of a setting that is nowhere worse and somewhere better."""
    same_as: int | None = None
    """Number of an earlier setting with the same cost in every batch."""

    @property
    def mean(self) -> float:
        """Mean cost of a batch."""
        return statistics.fmean(self.costs) if self.costs else 0.0


def standings(table: Sequence[Sequence[float]]) -> tuple[Standing, ...]:
    """Return how each setting stands; `table` holds one row a setting, one cost a batch."""
    rows = [tuple(row) for row in table]
    first: dict[tuple[float, ...], int] = {}
    found = []
    for number, row in enumerate(rows):
        same_as = first.setdefault(row, number)
        better = next((n for n, other in enumerate(rows) if _dominates(other, row)), None)
        found.append(
            Standing(
                number=number, costs=row, worse_than=better, same_as=None if same_as == number else same_as
            )
        )
    return tuple(found)


def best(found: Sequence[Standing]) -> Standing:
    """Return the cheapest; of equals the first."""
    return min(found, key=lambda standing: (standing.mean, standing.number))


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """One batch left out: the setting that the others choose, and what it costs on this one."""

    batch: int
    number: int
    cost: float


def leave_one_out(table: Sequence[Sequence[float]]) -> tuple[LeftOut, ...]:
    """Return for every batch what the choice made without it would have cost on it."""
    batches = len(table[0]) if table else 0
    if batches < 2:
        return ()
    found = []
    for batch in range(batches):
        others = [[cost for index, cost in enumerate(row) if index != batch] for row in table]
        number = _cheapest(others)
        found.append(LeftOut(batch=batch, number=number, cost=table[number][batch]))
    return tuple(found)


def _cheapest(table: Sequence[Sequence[float]]) -> int:
    return min(range(len(table)), key=lambda number: (sum(table[number]), number))


def _dominates(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    return one != other and all(a <= b for a, b in zip(one, other, strict=True))


def _lateness(finished_s: float | None, truth: Truth) -> tuple[float | None, bool]:
    if truth.end_s is None:  # it never ended: any end told is as early as can be
        return (None, False) if finished_s is None else (-48.0, False)
    if finished_s is None:
        return None, True
    return (finished_s - truth.end_s) / _HOUR_S, False


def _first(findings: Sequence[Finding], condition: Condition) -> float | None:
    return next((f.time_s for f in findings if f.condition is condition), None)


def _withdrawn(findings: Sequence[Finding]) -> int:
    """Return how often `still-fermenting` came after `finished`."""
    finished, count = False, 0
    for finding in findings:
        if finding.condition is Condition.FINISHED:
            finished = True
        elif finding.condition is Condition.STILL_FERMENTING and finished:
            finished, count = False, count + 1
    return count
