"""Kinds of batches in which nothing is wrong: whatever alarm they get without need is a nuisance."""

import math
from dataclasses import replace

import numpy as np

from tests.verdicts.draws import Draws
from tests.verdicts.gas import MOLAR_CO2, SOLUBILITY
from tests.verdicts.handling import any_style, provable, with_test
from tests.verdicts.recipe import Action, Recipe, Spell, bounded, draw_temperature_sensor, ordinary
from tests.verdicts.thermal import Change
from tests.verdicts.trigger import Trigger


def smooth_test(d: Draws) -> Recipe:
    return with_test(d, ordinary(d, any_style(d), "smooth"))


def smooth_test_silent(d: Draws) -> Recipe:
    recipe = with_test(d, ordinary(d, any_style(d), "smooth"), journal=False)
    return replace(recipe, expects="suspected", evidence="never")


def smooth_nobody(d: Draws) -> Recipe:
    return replace(ordinary(d, any_style(d), "smooth"), expects="suspected", evidence="never")


def cycling(d: Draws) -> Recipe:
    return ordinary(d, any_style(d), "pop")


def cycling_nobody_journal(d: Draws) -> Recipe:
    return replace(ordinary(d, any_style(d), "pop"), tell_pitched=False)


def sealed_small(d: Draws) -> Recipe:
    """A small charge in a vessel without a valve: it comes to rest at a pressure of its own."""
    r = ordinary(d, "ale", "none")
    total = d.between(2.0, 6.0)
    yeast = replace(
        r.yeast,
        family=d.pick(["logistic", "gompertz", "monod"]),
        total_g_per_l=total,
        peak_per_h=d.log_between(0.02, 0.12) / total,
        tail_tau_h=d.log_between(6, 60),
        tail_fraction=d.log_between(0.02, 0.2),
    )
    yeast = bounded(yeast)
    warm_k = np.array([r.thermal.base_c + 276.15])
    hold = float(SOLUBILITY[r.gas.solubility](warm_k)[0]) * r.gas.beer_factor
    gas = r.gas.head_l / r.gas.beer_l * MOLAR_CO2 / (0.0831446 * float(warm_k[0]))
    final = total / (hold + gas) * (1.15 if math.isinf(r.gas.release_per_h) else 1.25)
    rated = round(final / d.between(0.6, 0.8) + 0.3, 1)
    span = d.pick([s for s in (2.5, 4.0, 5.0, 7.0) if s > rated * 1.05] or [10.0])
    return replace(
        r,
        yeast=yeast,
        rated_bar=rated,
        valve=replace(r.valve, relief_bar=rated * 1.1),
        pressure_sensor=replace(r.pressure_sensor, span_bar=span),
        tell_gravity=False,
        tell_valve=False,
    )


def lager_rise(d: Draws) -> Recipe:
    r = provable(d, "lager")
    rise = Change(
        trigger=Trigger(fraction=d.between(0.75, 0.95)),
        target_c=r.thermal.base_c + d.between(3, 6),
        ramp_h=d.between(4, 36),
    )
    return replace(r, changes=(rise,))


def supersaturated(d: Draws) -> Recipe:
    """Beer that gives off gas for days after the end, behind a smooth valve that is shut then."""
    r = with_test(d, ordinary(d, any_style(d), "smooth"))
    kelvin = np.array([r.thermal.base_c + 273.15])
    full = (
        float(SOLUBILITY[r.gas.solubility](kelvin)[0]) * r.gas.beer_factor * (r.valve.opening_bar + r.air_bar)
    )
    quiet = 1 / d.log_between(20, 125)
    gas = replace(
        r.gas,
        release_per_h=quiet,
        uptake_per_h=quiet * d.between(0.3, 1.0),
        excess_g_per_l=full * d.between(0.3, 0.67),
    )
    rouse = Trigger(to_come=0.4, delay_h=d.between(2, 80)) if d.chance(0.3) else None
    stop = replace(r.stop, delay_h=r.stop.delay_h + 48)
    return replace(r, gas=gas, supersaturated=True, rouse=rouse, stop=stop)


def late_start(d: Draws) -> Recipe:
    r = provable(d, any_style(d))
    lag_h = d.between(36, 60)
    yeast = replace(r.yeast, lag_h=lag_h, lag_width_h=lag_h / d.between(12, 20))
    return replace(r, yeast=yeast, tell_pitched=True)


def gap(d: Draws) -> Recipe:
    r = provable(d, any_style(d))
    spells = tuple(
        Spell(trigger=Trigger(fraction=part), length_h=d.log_between(0.3, 24))
        for part in sorted(d.between(0.05, 0.99) for _ in range(d.pick([1, 2, 4])))
    )
    return replace(r, gaps=spells)


def cool_after_warm(d: Draws) -> Recipe:
    """Held by a smooth valve through a warm spell; the cool that follows leaves it below reseat, shut by itself."""
    r = ordinary(d, any_style(d), "smooth")
    base = r.thermal.base_c
    cool_c = base - d.between(2, 4)
    after_h = d.between(5, 30)
    warm = Change(trigger=Trigger(fraction=d.between(0.8, 0.95)), target_c=base + d.between(2, 4), ramp_h=6)
    cool = Change(trigger=Trigger(to_come=0.4, delay_h=after_h), target_c=cool_c, ramp_h=d.between(2, 10))
    return replace(
        r,
        changes=(warm, cool),
        low_c=cool_c - 2.5,
        yeast=replace(r.yeast, stop_c=cool_c - 5),
        stop=Trigger(to_come=0.4, delay_h=after_h + d.between(60, 110)),
        evidence="cool",
    )


def cider(d: Draws) -> Recipe:
    return replace(provable(d, "cider"), max_h=1700)


def big_tank(d: Draws) -> Recipe:
    r = provable(d, any_style(d))
    total = d.between(300, 800)
    beer = total * (1 - d.between(0.05, 0.2))
    thermal = replace(
        r.thermal, tau_h=d.between(20, 45), control_gain=d.between(3, 8), cycle_min=d.between(40, 120)
    )
    return replace(r, gas=replace(r.gas, beer_l=beer, head_l=total - beer), thermal=thermal)


def coarse_sensor(d: Draws) -> Recipe:
    r = provable(d, any_style(d))
    sensor = replace(
        r.pressure_sensor,
        bits=10,
        noise_bar=d.log_between(0.0003, 0.003),
        span_bar=max(r.pressure_sensor.span_bar, d.pick([5.0, 7.0])),
    )
    return replace(r, pressure_sensor=sensor)


def air_probe(d: Draws) -> Recipe:
    r = provable(d, any_style(d))
    thermal = replace(r.thermal, cycle_k=d.log_between(0.7, 3.0))
    return replace(
        r,
        thermal=thermal,
        temperature_sensor=replace(r.temperature_sensor, air_part=1.0),
        tell_probe=d.chance(0.5),
    )


def valve_turned(d: Draws) -> Recipe:
    """Kept at a low pressure through the height, then turned up."""
    r = provable(d, any_style(d))
    journal = d.chance(0.7)
    low = Action(trigger=Trigger(after_h=0), what="turn", to_bar=d.between(0.25, 0.5), journal=False)
    up = Action(
        trigger=Trigger(fraction=d.between(0.15, 0.4)),
        what="turn",
        to_bar=r.valve.opening_bar,
        journal=journal,
    )
    valve = replace(r.valve, hysteresis_bar=min(r.valve.hysteresis_bar, 0.15))
    return replace(r, valve=valve, actions=(low, up, *r.actions))


def vented(d: Draws) -> Recipe:
    """Somebody lets the pressure off by hand half way; it comes back."""
    r = provable(d, any_style(d))
    vent = Action(
        trigger=Trigger(fraction=d.between(0.2, 0.42)),
        what="vent",
        to_bar=d.between(0.0, 0.4),
        journal=d.chance(0.5),
    )
    return replace(r, actions=(vent, *r.actions))


def chill_after_end(d: Draws) -> Recipe:
    """All as it should be: ended, rested, chilled."""
    r = ordinary(d, any_style(d), "pop")
    start = Trigger(to_come=0.4, delay_h=d.between(24, 60))
    chill = Change(trigger=start, target_c=d.between(1, 4), ramp_h=d.between(0.2, 6))
    thermal = replace(r.thermal, control_gain=0.0)
    stop = replace(start, delay_h=start.delay_h + d.between(72, 120))
    return replace(r, changes=(chill,), chills=True, chill_entry=d.chance(0.7), thermal=thermal, stop=stop)


def charged(d: Draws) -> Recipe:
    """CO2 from a bottle at the start, to try the seals: it dissolves, and the pressure falls before it rises."""
    return replace(provable(d, any_style(d)), charge_bar=d.between(0.2, 0.6), sound=False)


def air_measured(d: Draws) -> Recipe:
    """A second thermometer in the air beside a smooth valve that nobody shuts; a heat belt keeps up some in a cold room."""
    r = ordinary(d, any_style(d), "smooth")
    sensor = replace(draw_temperature_sensor(d), air_part=d.between(0.9, 1.0))
    thermal = r.thermal
    if d.chance(0.4):
        cold_k = d.between(1, 6)
        thermal = replace(
            thermal, base_c=thermal.base_c - cold_k, control_gain=0.0, belt_k=cold_k * d.between(1.2, 3)
        )
    return replace(r, air_sensor=sensor, thermal=thermal, expects="suspected", evidence="never")


def floating_gravity(d: Draws) -> Recipe:
    """A floating gravity sensor beside a smooth valve that nobody shuts."""
    r = ordinary(d, any_style(d), "smooth")
    return replace(
        r,
        float_noise=d.log_between(0.0003, 0.002),
        expects="suspected",
        evidence="never",
        stop=replace(r.stop, delay_h=r.stop.delay_h + 48),
    )
