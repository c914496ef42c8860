"""Temperatures of air and beer: set point and its changes, fridge cycle, room, exotherm, thermal inertia."""

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from tests.verdicts.draws import Draws
from tests.verdicts.kinetics import Yeast, begin
from tests.verdicts.trigger import FloatArray, Trigger

COARSE_H = 1 / 6
"""Step of the slow part (yeast and mean temperatures), hours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """The air's set point goes to `target_c` over `ramp_h`, once its trigger comes due."""

    trigger: Trigger
    target_c: float
    ramp_h: float = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Thermal:
    """Where the vessel stands. `heat_k` is kelvin of warming per g/L of CO2 made without loss.

    `belt_k` is by how much a heat belt can hold the beer above its air; it is ruled to keep `start_c`.
    """

    start_c: float
    base_c: float
    tau_h: float
    heat_k: float
    control_gain: float
    cycle_k: float
    cycle_min: float
    cycle_duty: float
    day_k: float
    day_phase: float
    wander_k: float
    belt_k: float = 0.0

    def belt(self, beer_c: float) -> float:
        """Return by how much the belt would hold beer of this temperature above its air, K."""
        return min(max(4.0 * self.belt_k * (self.start_c - beer_c), 0.0), self.belt_k)


@dataclass(frozen=True, slots=True, kw_only=True)
class Brake:
    """Yeast that gives up for no visible reason: the rate dies away over `fade_h` from the trigger on."""

    trigger: Trigger
    fade_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """The slow part of a batch on the coarse grid; all arrays have shape (n,), hours count from pitching."""

    hours: FloatArray
    made_g_per_l: FloatArray
    beer_c: FloatArray
    air_c: FloatArray
    awake: FloatArray
    total_g_per_l: float


class SetPoint:
    """The air's set point as the changes of a script come due, one after the other."""

    def __init__(self, base_c: float, changes: tuple[Change, ...]) -> None:
        self.now = base_c
        self.waiting = list(changes)
        self.due: float | None = None
        self.ramp: tuple[float, float, float, float] | None = None

    def at(self, hours: float, fraction: float, to_come: float) -> float:
        """Return the set point at this moment; must be called with rising hours."""
        if self.waiting:
            head = self.waiting[0]
            if self.due is None and head.trigger.met(hours, fraction, to_come):
                self.due = hours + head.trigger.delay_h
            if self.due is not None and hours >= self.due:
                self.ramp = (hours, head.ramp_h, self.now, head.target_c)
                self.waiting.pop(0)
                self.due = None
        if self.ramp is not None:
            start, length, low, high = self.ramp
            x = min((hours - start) / max(length, 1e-9), 1.0)
            self.now = low + (high - low) * x
        return self.now


def run_course(
    yeast: Yeast,
    thermal: Thermal,
    changes: tuple[Change, ...],
    brake: Brake | None,
    stop: Trigger,
    *,
    before_h: float,
    max_h: float,
    draws: Draws,
) -> Course:
    """Let yeast and temperatures go on together from `before_h` before pitching until `stop` or `max_h`."""
    n_max = int((before_h + max_h) / COARSE_H) + 1
    hours: FloatArray = -before_h + np.arange(n_max, dtype=np.float64) * COARSE_H
    walk = lfilter([1.0], [1.0, -0.995], draws.rng.standard_normal(n_max)) * 0.1 * thermal.wander_k
    outside = thermal.day_k * np.sin(2 * np.pi * (hours / 24) + thermal.day_phase) + walk
    ferment, point = begin(yeast), SetPoint(thermal.base_c, changes)
    beer, made, total = thermal.start_c, 0.0, yeast.total_g_per_l
    keep, settle, fade, braked, end = 1 - np.exp(-COARSE_H / thermal.tau_h), COARSE_H, 1.0, False, np.inf
    rows: list[tuple[float, float, float, float]] = []
    for h, ripple in zip(hours.tolist(), outside.tolist(), strict=True):
        part, left = made / total, total - made
        set_c = point.at(h, part, left)
        air = set_c + ripple - min(max(thermal.control_gain * (beer - set_c), -10.0), 12.0)
        rows.append((made, beer, air, yeast.awake(beer)))
        if end == np.inf and stop.met(h, part, left):
            end = h + stop.delay_h
        if h >= end:
            break
        if brake is not None and (braked or brake.trigger.met(h, part, left)):
            braked = True
            fade *= float(np.exp(-settle / brake.fade_h))
        gain = ferment.step(COARSE_H, h, beer, fade if fade > 1e-3 else 0.0) if h >= 0 else 0.0
        made += min(gain, left)
        beer += keep * (air + thermal.belt(beer) - beer) + thermal.heat_k * gain
    table = np.array(rows)
    return Course(
        hours=hours[: len(rows)],
        made_g_per_l=table[:, 0],
        beer_c=table[:, 1],
        air_c=table[:, 2],
        awake=table[:, 3],
        total_g_per_l=total,
    )


def fridge_ripple(thermal: Thermal, hours: FloatArray, draws: Draws) -> tuple[FloatArray, FloatArray]:
    """Return what the fridge's cycle adds to air and to beer, K, on an even fine grid of hours."""
    if thermal.cycle_k <= 0:
        return np.zeros(len(hours)), np.zeros(len(hours))
    span = float(hours[-1] - hours[0])
    period = thermal.cycle_min / 60
    lengths = period * draws.rng.uniform(0.8, 1.25, int(span / period * 1.3) + 4)
    edges = hours[0] + np.concatenate([[0.0], np.cumsum(lengths)])
    phase = np.interp(hours, edges, np.arange(len(edges))) % 1.0
    duty = thermal.cycle_duty
    air = thermal.cycle_k * np.where(phase < duty, 2 * phase / duty - 1, 1 - 2 * (phase - duty) / (1 - duty))
    keep = float(np.exp(-(hours[1] - hours[0]) / thermal.tau_h))
    beer = lfilter([1 - keep], [1.0, -keep], air)
    return air, np.asarray(beer, np.float64)
