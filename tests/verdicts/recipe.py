"""All that is drawn for one batch before anything is simulated, and the ordinary draws that kinds start from."""

import math
from dataclasses import dataclass, replace

from tests.verdicts.draws import Draws
from tests.verdicts.gas import GasWorld, Valve
from tests.verdicts.kinetics import Yeast, total_co2
from tests.verdicts.sensors import PressureSensor, Sampling, TemperatureSensor
from tests.verdicts.thermal import Brake, Change, Thermal
from tests.verdicts.trigger import Trigger


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """The brewer's hand on the valve: `shut` (for `hold_h` at most), `turn` (to `to_bar`), `vent` (to `to_bar`).

    `part_of_gap` ends a shut spell early: once the pressure has come that far from the opening pressure to the
    rated limit.
    """

    trigger: Trigger
    what: str
    hold_h: float = math.inf
    part_of_gap: float = 1.0
    to_bar: float = 0.0
    journal: bool = True
    early: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Spell:
    """Something that lasts: a frozen sensor, a gap."""

    trigger: Trigger
    length_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Leak:
    """Gauge pressure lost per hour, at equilibrium, from the trigger on."""

    trigger: Trigger
    per_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """Everything about one batch.

    `valve_error_bar` and `volume_error` are what the owner's description is off by; `rouse` is when somebody shakes
    the vessel so that excess gas leaves within the hour; `charge_bar` the CO2 put in from a bottle after pitching;
    `float_noise` the noise of a floating gravity sensor, if there is one, and `air_sensor` a thermometer beside the vessel.
    """

    yeast: Yeast
    thermal: Thermal
    gas: GasWorld
    valve: Valve
    pressure_sensor: PressureSensor
    temperature_sensor: TemperatureSensor
    sampling: Sampling
    rated_bar: float
    gravity: float
    low_c: float
    open_before_h: float
    air_bar: float
    weather_bar: float
    stop: Trigger
    max_h: float = 1300.0
    changes: tuple[Change, ...] = ()
    actions: tuple[Action, ...] = ()
    gaps: tuple[Spell, ...] = ()
    frozen: Spell | None = None
    leak: Leak | None = None
    rouse: Trigger | None = None
    charge_bar: float = 0.0
    float_noise: float | None = None
    air_sensor: TemperatureSensor | None = None
    brake: Brake | None = None
    chills: bool = False
    chill_entry: bool = False
    valve_error_bar: float = 0.0
    volume_error: float = 0.0
    tell_pitched: bool = True
    tell_range: bool = True
    tell_gravity: bool = False
    tell_probe: bool = False
    tell_valve: bool = True
    expects: str = "finished"
    evidence: str = "always"
    sound: bool = True
    supersaturated: bool = False
    excuse_cold: bool = False


TAIL_MOST_H = 110.0
"""Longest time constant with which the last of the extract goes, at the base temperature, hours."""

STYLES = {
    # gravity, attenuation, base °C, tail h at base, peak g/(L h) at base, lag h
    "ale": ((1.035, 1.090), (0.65, 0.85), (16.0, 24.0), (6.0, 40.0), (0.35, 1.5), (3.0, 24.0)),
    "lager": ((1.040, 1.080), (0.70, 0.85), (8.0, 13.5), (30.0, 100.0), (0.12, 0.40), (8.0, 30.0)),
    "cider": ((1.040, 1.065), (0.97, 1.06), (11.0, 19.0), (40.0, 100.0), (0.05, 0.22), (8.0, 30.0)),
}


def bounded(yeast: Yeast) -> Yeast:
    """Return the yeast with no slower an end than `TAIL_MOST_H`: near its end each family goes by first order."""
    shape = math.e if yeast.family == "gompertz" else 4.0
    if yeast.family in ("logistic", "gompertz"):
        return replace(yeast, peak_per_h=max(yeast.peak_per_h, 1 / (shape * TAIL_MOST_H)))
    if yeast.family == "monod":
        most = 1.3 * yeast.peak_per_h * TAIL_MOST_H
        return replace(yeast, half_saturation=min(yeast.half_saturation, most))
    return yeast


def draw_yeast(d: Draws, style: str, low_c: float, base_c: float) -> tuple[Yeast, float]:
    """Return the yeast of this style at this base temperature, and the original gravity."""
    gravity, attenuation, _, tail, peak, lag = STYLES[style]
    og = round(d.between(*gravity), 4)
    total = total_co2(og, d.between(*attenuation))
    # In the cold the published constants of maltotriose give tails of weeks; heavier pitching is common practice there.
    sugars = 0.0 if style == "cider" or base_c < 11.5 else 2.0
    family = d.pick(["sugars", "logistic", "gompertz", "monod"], [sugars, 1, 1, 1.5])
    speed = d.between(1.6, 2.4) if base_c < 14 else d.between(0.6, 1.5) * math.exp(-0.1 * max(base_c - 18, 0))
    lag_h = d.log_between(*lag)
    yeast = Yeast(
        family=family,
        total_g_per_l=total,
        lag_h=lag_h,
        lag_width_h=lag_h / d.between(8, 14),
        peak_per_h=d.log_between(*peak) / total,
        seed_fraction=d.log_between(0.03, 0.12),
        half_saturation=d.log_between(0.02, 0.3),
        tail_fraction=d.log_between(0.02, 0.15),
        tail_tau_h=d.log_between(*tail),
        q10=d.between(2.0, 3.0),
        reference_c=base_c,
        stop_c=low_c - d.between(1.5, 3.5),
        stop_width_k=d.between(1.2, 2.0),
        sugar_speed=speed,
        glucose_share=d.between(0.08, 0.2),
        triose_share=d.between(0.12, 0.25),
    )
    return bounded(yeast), og


def draw_thermal(d: Draws, base_c: float, beer_l: float) -> Thermal:
    """Return a place for the vessel: a fridge that cycles, or a room with its days."""
    room = base_c > 15 and d.chance(0.35)
    return Thermal(
        start_c=base_c + d.between(-2, 2.5),
        base_c=base_c,
        tau_h=d.between(4, 13) * (beer_l / 20) ** 0.35,
        heat_k=d.between(0.22, 0.31),
        control_gain=d.pick([0.0, d.between(1, 6)]) if not room else 0.0,
        cycle_k=0.0 if room else d.log_between(0.5, 3.0),
        cycle_min=d.between(20, 90),
        cycle_duty=d.between(0.25, 0.75),
        day_k=d.between(0.4, 2.5) if room else d.between(0, 0.3),
        day_phase=d.between(0, 6.28),
        wander_k=d.between(0.1, 0.7) if room else d.between(0, 0.15),
    )


def draw_gas(d: Draws, beer_l: float, head_l: float) -> GasWorld:
    """Return the law of the gas: about one batch in four is in equilibrium all the time."""
    steady = d.chance(0.25)
    release = math.inf if steady else 1 / d.log_between(3, 60)
    return GasWorld(
        beer_l=beer_l,
        head_l=head_l,
        solubility=d.pick(["weiss", "carroll", "iapws", "beer"]),
        beer_factor=d.between(0.93, 1.0),
        compressibility=d.between(0.985, 1.0),
        release_per_h=release,
        uptake_per_h=math.inf if steady else release * d.between(0.3, 1.0),
        excess_g_per_l=d.log_between(0.2, 1.2),
        air_part=d.between(0.05, 1.0),
        head_in_air=d.between(0.0, 0.4),
    )


def draw_pressure_sensor(d: Draws, span_bar: float) -> PressureSensor:
    """Return a pressure sensor, from a good industrial one to a cheap transmitter on ten bits."""
    return PressureSensor(
        noise_bar=d.log_between(0.0003, 0.006),
        slow_part=d.pick([0.0, d.between(0, 0.3)]),
        bits=d.pick([10, 12, 16], [1, 2, 2]),
        span_bar=span_bar,
        zero_bar=d.between(-0.04, 0.04),
        gain=d.between(0.99, 1.01),
        zero_bar_per_k=d.between(-0.002, 0.002),
        drift_bar_per_week=d.between(-0.005, 0.005),
        spikes=d.pick([0, 1, 3, 8], [4, 2, 2, 1]),
    )


def draw_temperature_sensor(d: Draws) -> TemperatureSensor:
    """Return a thermometer in a well or taped to the wall."""
    return TemperatureSensor(
        noise_c=d.between(0.0, 0.06),
        step_c=d.pick([0.0625, 0.0625, 0.1, 0.01]),
        offset_c=d.between(-0.5, 0.5),
        air_part=d.pick([0.0, d.between(0, 0.12)]),
        false_values=d.pick([0, 1, 4], [3, 1, 1]),
    )


def draw_sampling(d: Draws) -> Sampling:
    """Return when samples come; some loggers are regular, some are not, some lose a few."""
    interval = float(d.pick([10, 30, 60, 120, 300], [0.4, 2, 4, 2, 2]))
    return Sampling(
        interval_s=interval,
        temperature_every=d.pick([1, 1, 2, 5]) if interval <= 60 else 1,
        jitter=d.pick([0.0, 0.0, d.between(0.1, 1.0)]),
        lost_part=d.pick([0.0, 0.0, d.between(0, 0.03)]),
        gaps=(),
    )


def draw_valve(d: Draws, style: str) -> Valve:
    """Return a spunding valve of this style; the excess at peak flow is 5 to 150 mbar if it passes smoothly."""
    opening = d.between(0.7, 2.0)
    pop = style == "pop"
    return Valve(
        style=style,
        opening_bar=opening,
        hysteresis_bar=d.log_between(0.03, 0.3) if pop else d.pick([0.0, d.between(0.0, 0.1)]),
        excess_bar=d.log_between(0.005, 0.15),
        relief_bar=math.inf,
        drift_bar_per_week=d.between(-0.02, 0.02),
        creep_bar=d.pick([0.0, d.between(0, 0.01)]),
    )


def ordinary(d: Draws, style: str, valve_style: str) -> Recipe:
    """Return a sound batch of this style and valve in which nobody does anything."""
    base_c = d.between(*STYLES[style][2])
    low_c = base_c - d.between(3.0, 4.5)
    yeast, gravity = draw_yeast(d, style, low_c, base_c)
    total_l = d.log_between(8, 60)
    beer_l = total_l * (1 - d.log_between(0.05, 0.40))
    valve = draw_valve(d, valve_style)
    rated = max(valve.opening_bar + d.between(0.6, 1.8), d.pick([2.0, 2.5, 3.0, 4.0]))
    span = d.pick([s for s in (2.5, 4.0, 5.0, 7.0) if s > rated * 1.05] or [7.0])
    open_before = d.pick([0.0, d.between(0.5, 8)])
    return Recipe(
        yeast=yeast,
        thermal=draw_thermal(d, base_c, beer_l),
        gas=draw_gas(d, beer_l, total_l - beer_l),
        valve=replace(valve, relief_bar=rated * d.between(1.05, 1.15)),
        pressure_sensor=draw_pressure_sensor(d, span),
        temperature_sensor=draw_temperature_sensor(d),
        sampling=draw_sampling(d),
        rated_bar=round(rated, 2),
        gravity=gravity,
        low_c=low_c,
        open_before_h=open_before,
        air_bar=d.pick([1.01325, d.between(0.90, 1.03)]),
        weather_bar=d.pick([0.0, d.between(0, 0.008)]),
        stop=Trigger(to_come=0.4, delay_h=d.between(72, 150)),
        valve_error_bar=d.between(-0.15, 0.15),
        volume_error=d.between(-0.04, 0.04),
        tell_pitched=d.chance(0.7),
        tell_range=d.chance(0.8),
        tell_gravity=d.chance(0.5),
        tell_probe=d.chance(0.3),
    )
