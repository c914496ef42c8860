"""What became of one batch before its judge."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tests.verdicts.truth import DONE_G_PER_L, NEVER, Batch, Truth
from ullage.detectors.finding import NOTICES, Condition, Finding, State
from ullage.detectors.samples import Kind

StageDelay = tuple[str, float]
"""A stage and how many hours after the truth it was shown: infinite if never, minus infinite if it never came."""
EXCUSED_RATE = 0.25
"""g/L/day: below it `finished` in the cold is excused where nothing could tell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """The score of one batch; delays in hours, None where it does not apply, infinite where it never came."""

    kind: str
    seed: int
    expects: str
    sound: bool
    supersaturated: bool
    readings: int
    early: bool
    early_to_come: float
    excused: bool
    called: bool
    delay_h: float | None
    suspected_fraction: float | None
    suspected_delay_h: float | None
    test_answer_h: tuple[float, ...]
    test_near_limit: bool
    over_delay_readings: int | None
    over_false: int
    frozen_h: float | None
    leak_h: float | None
    leak_per_h: float
    stall_h: float | None
    stall_cold: bool
    nuisance: tuple[str, ...]
    withdrawn: bool
    still_for_good: bool
    resumed_h: float | None
    no_activity_h: float | None
    rising_lead_h: float | None
    error: str = ""
    valve: str = ""
    stage_delay_h: tuple[StageDelay, ...] = ()
    stage_dated_h: tuple[StageDelay, ...] = ()
    """The same for the moment from which on a stage is said to have held."""


def _first(findings: Sequence[Finding], condition: Condition, since: float = -NEVER) -> float:
    """Return when a condition is first told (an alarm raised or a notice noted) from a moment on."""
    return min(
        (
            f.time_s
            for f in findings
            if f.condition == condition and f.state != State.CLEARED and f.time_s >= since
        ),
        default=NEVER,
    )


def over_moments(batch: Batch) -> list[float]:
    """Return the moments at which the second reading running above the rated limit comes in."""
    rows = batch.codes == Kind.PRESSURE
    at, over = batch.time_s[rows], batch.value[rows] > batch.vessel.rated_pressure_bar
    second = over[1:] & over[:-1]
    return [float(t) for t in at[1:][second]]


def _over(batch: Batch, findings: Sequence[Finding]) -> tuple[int | None, int]:
    """Return how many readings after the second one the alarm came, and how many alarms were false."""
    moments = over_moments(batch)
    raised = [
        f.time_s for f in findings if f.condition == Condition.OVER_PRESSURE and f.state == State.RAISED
    ]
    # A moment is good to a millisecond; afterwards any reading of the same spell above the limit will do.
    false = sum(1 for t in raised if not any(abs(t - m) < 0.01 for m in moments))
    if not moments:
        return None, false
    first = min((t for t in raised if t >= moments[0] - 0.01), default=NEVER)
    if first == NEVER:
        return 10**9, false
    at = batch.time_s[batch.codes == Kind.PRESSURE]
    return int(np.searchsorted(at, first - 0.01) - np.searchsorted(at, moments[0] - 0.01)), false


def _nuisance(truth: Truth, findings: Sequence[Finding]) -> tuple[str, ...]:
    """Return the conditions of alarms that the truth neither calls for nor excuses."""
    out = []
    for f in findings:
        if f.condition in NOTICES or f.state != State.RAISED or f.condition == Condition.OVER_PRESSURE:
            continue
        if not any(a.condition == f.condition and a.from_s <= f.time_s <= a.to_s for a in truth.allowed):
            out.append(f.condition.value)
    return tuple(out)


def _tests(batch: Batch, findings: Sequence[Finding]) -> tuple[tuple[float, ...], bool]:
    """Return the hours until each early test was answered, and whether the limit was near by then."""
    truth, answers, near = batch.truth, [], False
    for test in truth.early_tests:
        answer = _first(findings, Condition.STILL_FERMENTING, test.from_s)
        answers.append((answer - test.from_s) / 3600)
        at = min(answer, test.to_s)
        near = near or truth.pressure(at) > 0.9 * batch.vessel.rated_pressure_bar
    return tuple(answers), near


def _calls(truth: Truth, findings: Sequence[Finding]) -> tuple[bool, float, bool]:
    """Return whether the end was called too early, with how much to come, and whether an early call is excused."""
    worst, excused = 0.0, False
    for f in findings:
        if f.condition != Condition.FINISHED or f.state == State.CLEARED:
            continue
        to_come = truth.co2_to_come(f.time_s)
        if to_come <= DONE_G_PER_L + 1e-6:
            continue
        blind = truth.excused is not None and truth.excused[0] <= f.time_s <= truth.excused[1]
        if blind and truth.rate(f.time_s) < EXCUSED_RATE:
            excused = True
        else:
            worst = max(worst, to_come)
    return worst > 0, worst, excused


def _delay(truth: Truth, findings: Sequence[Finding], last_s: float) -> float | None:
    """Return hours from truth and evidence to `finished`; calls before that count as none, infinite if never."""
    due = max(truth.end_s, truth.evidence_s)
    if truth.expects != "finished" or due > last_s:
        return None
    said = [f.time_s for f in findings if f.condition == Condition.FINISHED and f.time_s >= truth.end_s]
    return max((min(said) - due) / 3600, 0.0) if said else NEVER


def _last_word(truth: Truth, findings: Sequence[Finding], last_s: float) -> tuple[bool, bool]:
    """Return whether `finished` was wrongly taken back, and whether `still-fermenting` stood at the end."""
    words = [
        f
        for f in sorted(findings, key=lambda f: f.time_s)
        if f.condition in (Condition.FINISHED, Condition.STILL_FERMENTING) and f.state != State.CLEARED
    ]
    withdrawn = any(
        a.condition == Condition.FINISHED
        and b.condition == Condition.STILL_FERMENTING
        and b.time_s > truth.end_s
        for a, b in pairwise(words)
    )
    ripe = max(truth.end_s, truth.evidence_s) + 24 * 3600 < last_s
    stuck = bool(words) and words[-1].condition == Condition.STILL_FERMENTING
    return withdrawn, ripe and stuck and truth.expects == "finished"


def score(batch: Batch, findings: Sequence[Finding], error: str = "") -> Outcome:
    """Compare what was said with the truth."""
    truth, last = batch.truth, float(batch.time_s[-1])

    def hours(condition: Condition, since: float, from_s: float | None = None) -> float | None:
        if since >= last:
            return None
        return (_first(findings, condition, since if from_s is None else from_s) - since) / 3600

    early, worst, excused = _calls(truth, findings)
    suspected = _first(findings, Condition.FINISH_SUSPECTED)
    answers, near = _tests(batch, findings)
    over_late, over_false = _over(batch, findings)
    withdrawn, stuck = _last_word(truth, findings, last)
    frozen = truth.frozen
    resumed = None
    if excused and truth.resumed_s < last:
        resumed = (
            _first(findings, Condition.STILL_FERMENTING, truth.excused[0] if truth.excused else 0)
            - truth.resumed_s
        ) / 3600
    passive = truth.expects == "suspected"
    ripe = passive and truth.end_s < last
    # From ninety per cent on; what was said before is scored as too early, what was said only then as in time.
    later = _first(findings, Condition.FINISH_SUSPECTED, truth.ninety_s)
    later = min(later, _first(findings, Condition.FINISHED, truth.ninety_s))
    return Outcome(
        kind=batch.kind,
        seed=batch.seed,
        expects=truth.expects,
        sound=truth.sound,
        supersaturated=truth.supersaturated,
        readings=len(batch.time_s),
        early=early,
        early_to_come=worst,
        excused=excused,
        called=_first(findings, Condition.FINISHED) < NEVER,
        delay_h=_delay(truth, findings, last),
        suspected_fraction=truth.fraction_made(suspected) if passive and suspected < NEVER else None,
        suspected_delay_h=(min(suspected, later) - truth.end_s) / 3600 if ripe else None,
        test_answer_h=answers,
        test_near_limit=near,
        over_delay_readings=over_late,
        over_false=over_false,
        frozen_h=hours(Condition.SENSOR_FROZEN, frozen[0]) if frozen is not None else None,
        leak_h=hours(Condition.LEAK, truth.leak_visible_s, truth.leak_start_s),
        leak_per_h=truth.leak_per_h,
        stall_h=hours(Condition.STALLED, truth.stall_s, truth.stall_s - 6 * 3600)
        if truth.stall_s < NEVER
        else None,
        stall_cold=truth.stall_cold and batch.kind == "stall_cold",
        nuisance=_nuisance(truth, findings),
        withdrawn=withdrawn,
        still_for_good=stuck,
        resumed_h=resumed,
        no_activity_h=hours(Condition.NO_ACTIVITY, truth.start_s) if batch.kind == "never_starts" else None,
        rising_lead_h=_lead(truth, findings, last),
        error=error,
        valve=truth.valve,
    )


def _lead(truth: Truth, findings: Sequence[Finding], last_s: float) -> float | None:
    """Return how long before the true pressure passed the limit `pressure-rising` had warned."""
    if truth.over_limit_s >= last_s:
        return None
    return (truth.over_limit_s - _first(findings, Condition.PRESSURE_RISING)) / 3600
