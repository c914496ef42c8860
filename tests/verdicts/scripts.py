"""The kinds of batches: what is drawn beyond the ordinary, and what goes wrong."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from tests.verdicts.draws import Draws
from tests.verdicts.gas import MOLAR_CO2, SOLUBILITY
from tests.verdicts.recipe import Action, Leak, Recipe, Spell, bounded, ordinary
from tests.verdicts.thermal import Brake, Change
from tests.verdicts.trigger import Trigger

Script = Callable[[Draws], Recipe]


def _style(d: Draws) -> str:
    return d.pick(["ale", "lager"], [0.65, 0.35])


def _part(d: Draws, recipe: Recipe, low: float, high: float, leave_g_per_l: float) -> float:
    """Return a part made between low and high that leaves at least so much still to come."""
    most = 1 - leave_g_per_l / recipe.yeast.total_g_per_l
    return min(d.between(low, high), most)


def with_test(d: Draws, recipe: Recipe, *, journal: bool = True) -> Recipe:
    """The brewer winds the valve shut too early, opens it again, and shuts it for good after the end."""
    early = Action(
        trigger=Trigger(fraction=_part(d, recipe, 0.45, 0.93, 2.0)),
        what="shut",
        hold_h=d.between(2, 6),
        part_of_gap=d.between(0.5, 0.75),
        journal=journal,
        early=True,
    )
    late_h = d.log_between(2, 48)
    actions = [early]
    if d.chance(0.2):
        # Once more when little is left: neither answer is sure within hours, and the end must not be called.
        between = Trigger(to_come=d.between(0.6, 1.2))
        actions.append(
            Action(trigger=between, what="shut", hold_h=d.between(2, 8), part_of_gap=0.6, journal=journal)
        )
    actions.append(Action(trigger=Trigger(to_come=0.4, delay_h=late_h), what="shut", journal=journal))
    return replace(
        recipe,
        actions=(*recipe.actions, *actions),
        stop=Trigger(to_come=0.4, delay_h=late_h + d.between(40, 90)),
        evidence="shut",
    )


def provable(d: Draws, style: str) -> Recipe:
    """Return a batch whose end the data can prove: a cycling valve, or a smooth one that is shut for tests."""
    return ordinary(d, style, "pop") if d.chance(0.6) else with_test(d, ordinary(d, style, "smooth"))


def smooth_test(d: Draws) -> Recipe:
    return with_test(d, ordinary(d, _style(d), "smooth"))


def smooth_test_silent(d: Draws) -> Recipe:
    recipe = with_test(d, ordinary(d, _style(d), "smooth"), journal=False)
    return replace(recipe, expects="suspected", evidence="never")


def smooth_nobody(d: Draws) -> Recipe:
    return replace(ordinary(d, _style(d), "smooth"), expects="suspected", evidence="never")


def cycling(d: Draws) -> Recipe:
    return ordinary(d, _style(d), "pop")


def cycling_nobody_journal(d: Draws) -> Recipe:
    return replace(ordinary(d, _style(d), "pop"), tell_pitched=False)


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
    r = with_test(d, ordinary(d, _style(d), "smooth"))
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


def stall_cold(d: Draws) -> Recipe:
    r = ordinary(d, _style(d), d.pick(["pop", "smooth"]))
    part = _part(d, r, 0.35, 0.75, 6.0)
    cold = Change(
        trigger=Trigger(fraction=part),
        target_c=r.yeast.stop_c - d.between(0.5, 4),
        ramp_h=d.log_between(1, 12),
    )
    r = replace(r, sound=False, tell_range=True, thermal=replace(r.thermal, control_gain=0.0))
    if d.chance(0.5):
        back = Change(
            trigger=Trigger(after_h=0, delay_h=d.between(40, 96)), target_c=r.thermal.base_c, ramp_h=4
        )
        ends = "finished" if r.valve.style == "pop" else "suspected"
        return replace(
            r, changes=(cold, back), expects=ends, evidence="always" if ends == "finished" else "never"
        )
    return replace(
        r,
        changes=(cold,),
        stop=Trigger(fraction=part, delay_h=d.between(90, 140)),
        expects="none",
        evidence="never",
    )


def stall_unexplained(d: Draws) -> Recipe:
    r = ordinary(d, _style(d), d.pick(["pop", "smooth"], [0.7, 0.3]))
    start = Trigger(fraction=d.between(0.5, 0.7))
    return replace(
        r,
        brake=Brake(trigger=start, fade_h=d.between(1, 8)),
        stop=replace(start, delay_h=d.between(120, 168)),
        tell_gravity=True,
        expects="none",
        evidence="never",
        sound=False,
    )


def leak_before(d: Draws) -> Recipe:
    r = ordinary(d, _style(d), d.pick(["pop", "smooth"]))
    leak = Leak(trigger=Trigger(fraction=d.between(0.3, 0.8)), per_h=d.log_between(0.01, 0.05))
    return replace(r, leak=leak, expects="none", evidence="never", sound=False)


def leak_after(d: Draws) -> Recipe:
    kind = d.pick(["pop", "smooth", "none"])
    r = sealed_small(d) if kind == "none" else ordinary(d, _style(d), kind)
    start = Trigger(to_come=0.4, delay_h=d.between(6, 48))
    leak = Leak(trigger=start, per_h=d.log_between(0.01, 0.05))
    stop = replace(start, delay_h=start.delay_h + d.between(48, 96))
    return replace(r, leak=leak, stop=stop, expects="none", evidence="never", sound=False)


def late_start(d: Draws) -> Recipe:
    r = provable(d, _style(d))
    lag_h = d.between(36, 60)
    yeast = replace(r.yeast, lag_h=lag_h, lag_width_h=lag_h / d.between(12, 20))
    return replace(r, yeast=yeast, tell_pitched=True)


def never_starts(d: Draws) -> Recipe:
    r = ordinary(d, _style(d), d.pick(["pop", "smooth"]))
    return replace(
        r,
        yeast=replace(r.yeast, lag_h=1e6, lag_width_h=10),
        stop=Trigger(after_h=0, delay_h=d.between(96, 144)),
        expects="none",
        evidence="never",
        sound=False,
    )


def stuck_valve(d: Draws) -> Recipe:
    r = ordinary(d, _style(d), "pop")
    return replace(
        r,
        valve=replace(r.valve, style="none"),
        stop=Trigger(fraction=d.between(0.3, 0.5), delay_h=24),
        expects="none",
        evidence="never",
        sound=False,
    )


def sensor_frozen(d: Draws) -> Recipe:
    """A pressure reading that stays put; its sensor's noise otherwise moves the last digits."""
    r = provable(d, _style(d))
    bits = d.pick([12, 16])
    step = r.pressure_sensor.span_bar / (0.8 * 2**bits)
    sensor = replace(r.pressure_sensor, bits=bits, noise_bar=step * d.between(0.6, 3) + d.between(0, 0.002))
    frozen = Spell(trigger=Trigger(fraction=d.between(0.2, 0.97)), length_h=d.log_between(6, 72))
    return replace(r, pressure_sensor=sensor, frozen=frozen, sound=False)


def gap(d: Draws) -> Recipe:
    r = provable(d, _style(d))
    spells = tuple(
        Spell(trigger=Trigger(fraction=part), length_h=d.log_between(0.3, 24))
        for part in sorted(d.between(0.05, 0.99) for _ in range(d.pick([1, 2, 4])))
    )
    return replace(r, gaps=spells)


def early_chill(d: Draws) -> Recipe:
    r = ordinary(d, _style(d), d.pick(["pop", "smooth"]))
    start = Trigger(fraction=_part(d, r, 0.75, 0.95, 1.5))
    chill = Change(trigger=start, target_c=d.between(1, 4), ramp_h=d.between(0.2, 3))
    return replace(
        r,
        changes=(chill,),
        thermal=replace(r.thermal, control_gain=0.0),
        chills=True,
        chill_entry=d.chance(0.7),
        stop=replace(start, delay_h=d.between(90, 140)),
        expects="none",
        evidence="never",
        sound=False,
    )


def resume_on_warming(d: Draws) -> Recipe:
    """Nearly asleep from cold, looking finished; warmed up, the rest is made."""
    r = ordinary(d, _style(d), "pop")
    cold_c = r.yeast.stop_c + r.yeast.stop_width_k * d.between(0.05, 0.18)
    cold = Change(
        trigger=Trigger(fraction=_part(d, r, 0.7, 0.9, 2.0)), target_c=cold_c, ramp_h=d.between(2, 12)
    )
    warm = Change(
        trigger=Trigger(after_h=0, delay_h=d.between(70, 130)),
        target_c=r.thermal.base_c + d.between(1, 3),
        ramp_h=d.between(2, 10),
    )
    told = d.chance(0.5)
    thermal = replace(r.thermal, control_gain=0.0, day_k=0.1, wander_k=0.1)
    low_c = r.low_c if told else cold_c - 2
    return replace(
        r,
        changes=(cold, warm),
        thermal=thermal,
        low_c=low_c,
        tell_range=told or d.chance(0.5),
        excuse_cold=not told,
        sound=False,
    )


def cool_after_warm(d: Draws) -> Recipe:
    """Held by a smooth valve through a warm spell; the cool that follows leaves it below reseat, shut by itself."""
    r = ordinary(d, _style(d), "smooth")
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
    r = provable(d, _style(d))
    total = d.between(300, 800)
    beer = total * (1 - d.between(0.05, 0.2))
    thermal = replace(
        r.thermal, tau_h=d.between(20, 45), control_gain=d.between(3, 8), cycle_min=d.between(40, 120)
    )
    return replace(r, gas=replace(r.gas, beer_l=beer, head_l=total - beer), thermal=thermal)


def coarse_sensor(d: Draws) -> Recipe:
    r = provable(d, _style(d))
    sensor = replace(
        r.pressure_sensor,
        bits=10,
        noise_bar=d.log_between(0.0003, 0.003),
        span_bar=max(r.pressure_sensor.span_bar, d.pick([5.0, 7.0])),
    )
    return replace(r, pressure_sensor=sensor)


def air_probe(d: Draws) -> Recipe:
    r = provable(d, _style(d))
    thermal = replace(r.thermal, cycle_k=d.log_between(0.7, 3.0))
    return replace(
        r,
        thermal=thermal,
        temperature_sensor=replace(r.temperature_sensor, air_part=1.0),
        tell_probe=d.chance(0.5),
    )


def valve_turned(d: Draws) -> Recipe:
    """Kept at a low pressure through the height, then turned up."""
    r = provable(d, _style(d))
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
    r = provable(d, _style(d))
    vent = Action(
        trigger=Trigger(fraction=d.between(0.2, 0.42)),
        what="vent",
        to_bar=d.between(0.0, 0.4),
        journal=d.chance(0.5),
    )
    return replace(r, actions=(vent, *r.actions))


def chill_after_end(d: Draws) -> Recipe:
    """All as it should be: ended, rested, chilled."""
    r = ordinary(d, _style(d), "pop")
    start = Trigger(to_come=0.4, delay_h=d.between(24, 60))
    chill = Change(trigger=start, target_c=d.between(1, 4), ramp_h=d.between(0.2, 6))
    thermal = replace(r.thermal, control_gain=0.0)
    stop = replace(start, delay_h=start.delay_h + d.between(72, 120))
    return replace(r, changes=(chill,), chills=True, chill_entry=d.chance(0.7), thermal=thermal, stop=stop)


def charged(d: Draws) -> Recipe:
    """CO2 from a bottle at the start, to try the seals: it dissolves, and the pressure falls before it rises."""
    return replace(provable(d, _style(d)), charge_bar=d.between(0.2, 0.6), sound=False)


def floating_gravity(d: Draws) -> Recipe:
    """A floating gravity sensor beside a smooth valve that nobody shuts."""
    r = ordinary(d, _style(d), "smooth")
    return replace(
        r,
        float_noise=d.log_between(0.0003, 0.002),
        expects="suspected",
        evidence="never",
        stop=replace(r.stop, delay_h=r.stop.delay_h + 48),
    )


KINDS: dict[str, Script] = {
    f.__name__: f
    for f in (
        smooth_test,
        smooth_test_silent,
        smooth_nobody,
        cycling,
        cycling_nobody_journal,
        sealed_small,
        lager_rise,
        supersaturated,
        stall_cold,
        stall_unexplained,
        leak_before,
        leak_after,
        late_start,
        never_starts,
        stuck_valve,
        sensor_frozen,
        gap,
        early_chill,
        resume_on_warming,
        cool_after_warm,
        cider,
        big_tank,
        coarse_sensor,
        air_probe,
        valve_turned,
        vented,
        chill_after_end,
        charged,
        floating_gravity,
    )
}
"""Every kind by name."""
