"""One batch from beginning to end: yeast and temperatures, then the gas with the brewer's hand on the valve."""

import math
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.signal import lfilter

from tests.verdicts.draws import Draws
from tests.verdicts.gas import Drive, GasState, Valve, at_rest, make_drive, run_gas, vent_to
from tests.verdicts.recipe import Action, Recipe
from tests.verdicts.thermal import Course, fridge_ripple, run_course
from tests.verdicts.trigger import FloatArray, Trigger


@dataclass(slots=True)
class Run:
    """The fine record of a batch; arrays of shape (n,) on an even grid, hours from pitching (rows from pitching on)."""

    recipe: Recipe
    course: Course
    drive: Drive
    valve: Valve
    state: GasState
    hours: FloatArray
    made_g_per_l: FloatArray
    beer_c: FloatArray
    air_c: FloatArray
    dt_h: float
    shuts: list[tuple[float, float, bool]] = field(default_factory=list)
    said: list[tuple[float, str]] = field(default_factory=list)
    start_g: float = 0.0


def due(course: Course, trigger: Trigger) -> float:
    """Return the hour at which a trigger comes due in this course."""
    return trigger.when(course.hours, course.made_g_per_l, course.total_g_per_l)


def _opening(recipe: Recipe, hours: FloatArray, draws: Draws) -> FloatArray:
    """Opening pressure against time: set point, drift, and a slow creep."""
    knots = np.linspace(hours[0], hours[-1], 8)
    creep = np.interp(hours, knots, draws.rng.standard_normal(8)) * recipe.valve.creep_bar
    return np.asarray(recipe.valve.opening_bar + recipe.valve.drift_bar_per_week * hours / 168 + creep)


def _leak(recipe: Recipe, course: Course, hours: FloatArray) -> FloatArray:
    if recipe.leak is None:
        return np.zeros(len(hours))
    return np.where(hours >= due(course, recipe.leak.trigger), recipe.leak.per_h, 0.0)


def prepare(recipe: Recipe, draws: Draws) -> Run:
    """Run yeast and temperatures, and lay out everything that the gas loop needs."""
    course = run_course(
        recipe.yeast,
        recipe.thermal,
        recipe.changes,
        recipe.brake,
        recipe.stop,
        before_h=recipe.open_before_h,
        max_h=recipe.max_h,
        draws=draws,
    )
    dt_h = (30 if recipe.sampling.interval_s <= 30 else 60) / 3600
    hours = np.arange(0, float(course.hours[-1]), dt_h)
    air_ripple, beer_ripple = fridge_ripple(recipe.thermal, hours, draws)
    made = np.interp(hours, course.hours, course.made_g_per_l)
    beer = np.interp(hours, course.hours, course.beer_c) + beer_ripple
    air = np.interp(hours, course.hours, course.air_c) + air_ripple
    keep = math.exp(-dt_h / 30)
    weather = lfilter([math.sqrt(1 - keep**2)], [1.0, -keep], draws.rng.standard_normal(len(hours)))
    drive = make_drive(
        recipe.gas,
        made_g_per_l=made,
        beer_c=beer,
        head_c=beer + recipe.gas.head_in_air * (air - beer),
        ambient_bar=recipe.air_bar + recipe.weather_bar * np.asarray(weather),
        opening_bar=_opening(recipe, hours, draws),
        leak_per_h=_leak(recipe, course, hours),
        dt_h=dt_h,
    )
    if recipe.rouse is not None:
        row = int(min(due(course, recipe.rouse), hours[-1]) / dt_h)
        drive.release[row : row + int(1 / dt_h)] += 3 * dt_h
    peak = float(np.max(np.diff(course.made_g_per_l))) * 6 * recipe.gas.beer_l
    valve = replace(recipe.valve, flow_g_per_h_bar=max(peak, 0.05) / recipe.valve.excess_bar)
    state = at_rest(recipe.gas, drive, 0)
    state.gas_g += recipe.charge_bar * float(drive.gas_g_per_bar[0])
    run = Run(recipe, course, drive, valve, state, hours, made, beer, air, dt_h)
    run.start_g = state.dissolved_g + state.gas_g
    return run


def _act(run: Run, action: Action, row: int) -> int:
    """Do what the brewer does at this row; return the row reached."""
    hour = float(run.hours[row])
    opening = float(run.drive.opening_bar[row])
    if action.what == "turn":
        run.drive.opening_bar[row:] += action.to_bar - opening
        text = f"valve set {action.to_bar:.2f}"
    elif action.what == "vent":
        vent_to(run.state, run.drive, row, action.to_bar)
        text = "vented"
    else:
        stop = len(run.hours) if math.isinf(action.hold_h) else row + int(action.hold_h / run.dt_h)
        limit = opening + action.part_of_gap * (run.recipe.rated_bar - opening)
        until = math.inf if math.isinf(action.hold_h) else limit
        run.said += [(hour, "valve shut")] if action.journal else []
        row = _gas(run, row, min(stop, len(run.hours)), shut=True, until_bar=until)
        back = float(run.hours[row]) if row < len(run.hours) else math.inf
        run.shuts.append((hour, back, action.early))
        if action.journal and math.isfinite(back):
            run.said.append((back, "valve opened"))
        return row
    if action.journal:
        run.said.append((hour, text))
    return row


def _gas(run: Run, start: int, stop: int, *, shut: bool = False, until_bar: float = math.inf) -> int:
    return run_gas(
        run.state, run.drive, run.valve, start, stop, dt_h=run.dt_h, shut=shut, until_bar=until_bar
    )


def play(run: Run) -> None:
    """Run the gas from pitching to the end, the brewer's actions at their places."""
    row = 0
    for action in run.recipe.actions:
        at = due(run.course, action.trigger)
        if at >= float(run.hours[-1]):
            continue
        place = max(int(at / run.dt_h), row)
        row = _gas(run, row, place)
        if row < len(run.hours):
            row = _act(run, action, row)
    _gas(run, row, len(run.hours))
    if run.recipe.chill_entry:
        run.said.append((due(run.course, run.recipe.changes[-1].trigger), "chill 2"))
