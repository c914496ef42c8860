"""Work out the truth of a batch from its fine record."""

import numpy as np

from tests.verdicts.excuses import allowed_alarms
from tests.verdicts.run import Run, due
from tests.verdicts.sensors import Span
from tests.verdicts.stage_truth import stage_hours
from tests.verdicts.trigger import Flags, FloatArray, Trigger
from tests.verdicts.truth import DONE_G_PER_L, NEVER, Allowed, EarlyTest, Truth
from ullage.detectors.samples import Samples
from ullage.detectors.vessel import Vessel

COARSE_ROWS_H = 1 / 15
"""Grid of the truth's own record: four minutes."""

VISIBLE_BAR = 0.02
"""Fall of pressure by the leak alone from which on it can be seen."""


def _first(hours: FloatArray, ok: Flags) -> float:
    rows = np.flatnonzero(ok)
    return float(hours[rows[0]]) if len(rows) else NEVER


def evidence_hour(run: Run) -> float:
    """Return the hour from which on the data can prove the end."""
    r = run.recipe
    if r.evidence == "always":
        return -r.open_before_h
    if r.evidence == "shut":
        last = [start for start, back, _ in run.shuts if back == NEVER]
        return last[0] if last else NEVER
    if r.evidence == "cool":
        vented = np.array(run.state.vented)
        pressure = np.array(run.state.pressure)
        last_row = int(np.flatnonzero(np.diff(vented, prepend=0.0) > 0)[-1])
        below = pressure < pressure[last_row] - 0.03
        below[:last_row] = False
        return _first(run.hours, below)
    return NEVER


def leak_hours(run: Run) -> tuple[float, float]:
    """Return when the leak starts and when the pressure has visibly fallen by it."""
    if run.recipe.leak is None:
        return NEVER, NEVER
    start = due(run.course, run.recipe.leak.trigger)
    leaked, dissolved = np.array(run.state.leaked), np.array(run.state.dissolved)
    made = run.made_g_per_l * run.recipe.gas.beer_l
    cap_gas, cap_beer = run.drive.gas_g_per_bar, run.drive.beer_g_per_bar
    # Loss that production does not make up for: of all the gas, and of that in the head space.
    whole = leaked - made
    head = leaked - made + dissolved
    sees = max(VISIBLE_BAR, 3 * run.recipe.pressure_sensor.step_bar)
    since = run.hours >= start
    lost = np.where(since, whole, NEVER)
    lost_head = np.where(since, head, NEVER)
    deficit = whole - np.minimum.accumulate(lost)
    deficit_head = head - np.minimum.accumulate(lost_head)
    ok = since & (deficit > sees * (cap_gas + cap_beer)) & (deficit_head > sees * cap_gas)
    return start, _first(run.hours, ok)


def stall_hour(run: Run) -> float:
    """Return when production stopped short of the end."""
    r = run.recipe
    if r.brake is not None:
        return due(run.course, r.brake.trigger) + 3 * r.brake.fade_h
    h, c = run.course.hours, run.course
    short = c.made_g_per_l < c.total_g_per_l - DONE_G_PER_L
    return _first(h, (c.awake < 0.05) & short & (h > 0) & (c.made_g_per_l > 0.2 * c.total_g_per_l))


def early_tests(run: Run) -> tuple[EarlyTest, ...]:
    """Return the early tests in hours."""
    tests = []
    for start, back, early in run.shuts:
        if not early:
            continue
        low, high = np.interp([start, start + 1.5], run.hours, run.made_g_per_l)
        tests.append(
            EarlyTest(
                from_s=start,
                to_s=min(back, float(run.hours[-1])),
                rate_g_per_l_day=float(high - low) * 16,
                to_come_g_per_l=run.course.total_g_per_l - float(low),
            )
        )
    return tuple(tests)


def _chill_hour(run: Run) -> float:
    """Return when the beer is chilled on purpose, as against a fridge run away."""
    changes = run.recipe.changes
    return due(run.course, changes[-1].trigger) if run.recipe.chills else NEVER


def _past(moment: float, spells: list[Span]) -> float:
    """Return the moment, put off to the end of a spell (and three hours) that hides it."""
    for low, high in spells:
        if low - 6 <= moment <= high:
            moment = high + 3
    return moment


def tell_truth(
    run: Run, vessel: Vessel, samples: Samples, start_s: float, frozen: Span | None, gaps: tuple[Span, ...]
) -> Truth:
    """Return the truth in Unix seconds; `samples`, `frozen` and `gaps` still count hours from pitching."""
    r, course = run.recipe, run.course

    def moment(hour: float) -> float:
        return start_s + hour * 3600

    def span(hours: Span | None) -> Span | None:
        return None if hours is None else (moment(hours[0]), moment(hours[1]))

    end = due(course, Trigger(to_come=DONE_G_PER_L))
    stall = stall_hour(run)
    leak_start, leak_visible = leak_hours(run)
    spells = sorted([*gaps, *([frozen] if frozen is not None else [])])
    evidence = evidence_hour(run)
    if max(end, evidence) < NEVER:
        put_off = _past(max(end, evidence), spells)
        evidence = put_off if put_off > max(end, evidence) else evidence
    grid = np.arange(0, float(run.hours[-1]), COARSE_ROWS_H)
    awake = course.awake
    cold = _first(course.hours, (awake < 0.5) & (course.hours > 0)) if r.excuse_cold else NEVER
    resumed = _first(course.hours, (course.hours > cold + 20) & (awake > 0.5)) if cold < NEVER else NEVER
    pressure = np.array(run.state.pressure)
    return Truth(
        expects=r.expects,
        sound=r.sound,
        start_s=start_s,
        end_s=moment(end),
        ninety_s=moment(due(course, Trigger(fraction=0.9))),
        evidence_s=moment(evidence),
        activity_s=moment(_first(course.hours, course.made_g_per_l > 0.05)),
        total_g_per_l=course.total_g_per_l,
        time_s=moment(0) + grid * 3600,
        made_g_per_l=np.interp(grid, run.hours, run.made_g_per_l),
        pressure_bar=np.interp(grid, run.hours, pressure),
        beer_c=np.interp(grid, run.hours, run.beer_c),
        early_tests=tuple(
            EarlyTest(
                from_s=moment(t.from_s),
                to_s=moment(t.to_s),
                rate_g_per_l_day=t.rate_g_per_l_day,
                to_come_g_per_l=t.to_come_g_per_l,
            )
            for t in early_tests(run)
        ),
        allowed=tuple(
            Allowed(condition=a.condition, from_s=moment(a.from_s), to_s=moment(a.to_s))
            for a in allowed_alarms(run, vessel, samples, frozen, stall)
        ),
        leak_per_h=r.leak.per_h if r.leak is not None else 0.0,
        leak_start_s=moment(leak_start),
        leak_visible_s=moment(leak_visible),
        stall_s=moment(stall),
        stall_cold=r.brake is None and stall < NEVER,
        frozen=span(frozen),
        gaps=tuple((moment(a), moment(b)) for a, b in gaps),
        chilled_s=moment(_chill_hour(run)),
        over_limit_s=moment(_first(run.hours, pressure > r.rated_bar)),
        excused=(moment(cold), moment(resumed)) if cold < NEVER else None,
        resumed_s=moment(resumed),
        supersaturated=r.supersaturated,
        valve=r.valve.style,
        stage_s={stage: moment(hour) for stage, hour in stage_hours(run, evidence).items()},
    )
