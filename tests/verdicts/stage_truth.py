"""When a batch truly came to each stage, from the simulation's own state.

lag
    Pitched, and no gas in the first hour.
active
    The first 0.05 g/L of CO2 made.
held at pressure
    The valve lets gas go for the first time.
slowing
    Production, as a mean of six hours, falls below a third of the highest so far and stays there for half a day.
finished
    0.4 g/L to come, and evidence in the data: as the delay of the verdict is counted.
chilling
    The fridge is set to the chill, on purpose.
cold
    The beer has been at or below its target and a kelvin for twelve hours; 5 °C where no target was entered.
"""

from collections.abc import Mapping

import numpy as np

from tests.verdicts.run import Run, due
from tests.verdicts.trigger import Flags, FloatArray, Trigger
from tests.verdicts.truth import DONE_G_PER_L, NEVER

FIRST_GAS_G_PER_L = 0.05
SLOW_SHARE = 1 / 3
MEAN_H = 6.0
STAYS_H = 12.0
COLD_H = 12.0
TOLD_LIMIT_C = 3.0
"""`chill 2` in the journal, and a kelvin."""
UNTOLD_LIMIT_C = 5.0
GRID_H = 1 / 6


def stage_hours(run: Run, evidence_h: float) -> Mapping[str, float]:
    """Return the hour of each stage that the batch truly came to, counted from pitching."""
    last_h = float(run.hours[-1])
    grid = np.arange(0.0, last_h, GRID_H)
    made = np.interp(grid, run.hours, run.made_g_per_l)
    chill_h = due(run.course, run.recipe.changes[-1].trigger) if run.recipe.chills else NEVER
    active_h = _first_lasting(grid, made > FIRST_GAS_G_PER_L, 0.0)
    end_h = due(run.course, Trigger(to_come=DONE_G_PER_L))
    found = {
        "lag": 0.0 if active_h > 1.0 else NEVER,
        "active": active_h,
        "held at pressure": _held_hour(run),
        "slowing": _slowing_hour(grid, made),
        "finished": max(end_h, evidence_h) if run.recipe.expects == "finished" else NEVER,
        "chilling": chill_h,
        "cold": _cold_hour(run, grid) if chill_h < NEVER else NEVER,
    }
    return {stage: hour for stage, hour in found.items() if hour < last_h}


def _first_lasting(hours: FloatArray, ok: Flags, lasts_h: float) -> float:
    """Return the first hour from which `ok` holds for so long."""
    need = max(round(lasts_h / GRID_H), 1)
    run = 0
    for index, good in enumerate(ok.tolist()):
        run = run + 1 if good else 0
        if run == need:
            return float(hours[index - need + 1])
    return NEVER


def _held_hour(run: Run) -> float:
    """A vent by hand lets gas go too, but from below the valve's opening pressure."""
    vented = np.diff(np.array(run.state.vented), prepend=0.0)
    opening = run.drive.opening_bar[: len(vented)] - run.valve.hysteresis_bar
    rows = np.flatnonzero((vented > 0) & (np.array(run.state.pressure) > opening - 0.02))
    return float(run.hours[rows[0]]) if len(rows) and run.valve.style != "none" else NEVER


def _slowing_hour(grid: FloatArray, made: FloatArray) -> float:
    half = MEAN_H / 2
    rate = (np.interp(grid + half, grid, made) - np.interp(grid - half, grid, made)) / MEAN_H
    highest = np.maximum.accumulate(rate)
    slow = (rate < SLOW_SHARE * highest) & (made > FIRST_GAS_G_PER_L) & (grid < grid[-1] - half)
    return _first_lasting(grid, slow, STAYS_H)


def _cold_hour(run: Run, grid: FloatArray) -> float:
    limit_c = TOLD_LIMIT_C if run.recipe.chill_entry else UNTOLD_LIMIT_C
    beer_c = np.interp(grid, run.hours, run.beer_c)
    return _first_lasting(grid, beer_c <= limit_c, COLD_H) + COLD_H
