"""Kinds of batches in which something goes wrong, and somebody should be told."""

from dataclasses import replace

from tests.verdicts.draws import Draws
from tests.verdicts.handling import any_style, part_made, provable
from tests.verdicts.recipe import Leak, Recipe, Spell, ordinary
from tests.verdicts.sound_kinds import sealed_small
from tests.verdicts.thermal import Brake, Change
from tests.verdicts.trigger import Trigger


def stall_cold(d: Draws) -> Recipe:
    r = ordinary(d, any_style(d), d.pick(["pop", "smooth"]))
    part = part_made(d, r, 0.35, 0.75, 6.0)
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
    r = ordinary(d, any_style(d), d.pick(["pop", "smooth"], [0.7, 0.3]))
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
    r = ordinary(d, any_style(d), d.pick(["pop", "smooth"]))
    leak = Leak(trigger=Trigger(fraction=d.between(0.3, 0.8)), per_h=d.log_between(0.01, 0.05))
    return replace(r, leak=leak, expects="none", evidence="never", sound=False)


def leak_after(d: Draws) -> Recipe:
    kind = d.pick(["pop", "smooth", "none"])
    r = sealed_small(d) if kind == "none" else ordinary(d, any_style(d), kind)
    start = Trigger(to_come=0.4, delay_h=d.between(6, 48))
    leak = Leak(trigger=start, per_h=d.log_between(0.01, 0.05))
    stop = replace(start, delay_h=start.delay_h + d.between(48, 96))
    return replace(r, leak=leak, stop=stop, expects="none", evidence="never", sound=False)


def never_starts(d: Draws) -> Recipe:
    r = ordinary(d, any_style(d), d.pick(["pop", "smooth"]))
    return replace(
        r,
        yeast=replace(r.yeast, lag_h=1e6, lag_width_h=10),
        stop=Trigger(after_h=0, delay_h=d.between(96, 144)),
        expects="none",
        evidence="never",
        sound=False,
    )


def stuck_valve(d: Draws) -> Recipe:
    r = ordinary(d, any_style(d), "pop")
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
    r = provable(d, any_style(d))
    bits = d.pick([12, 16])
    step = r.pressure_sensor.span_bar / (0.8 * 2**bits)
    sensor = replace(r.pressure_sensor, bits=bits, noise_bar=step * d.between(0.6, 3) + d.between(0, 0.002))
    frozen = Spell(trigger=Trigger(fraction=d.between(0.2, 0.97)), length_h=d.log_between(6, 72))
    return replace(r, pressure_sensor=sensor, frozen=frozen, sound=False)


def early_chill(d: Draws) -> Recipe:
    r = ordinary(d, any_style(d), d.pick(["pop", "smooth"]))
    start = Trigger(fraction=part_made(d, r, 0.75, 0.95, 1.5))
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
    r = ordinary(d, any_style(d), "pop")
    cold_c = r.yeast.stop_c + r.yeast.stop_width_k * d.between(0.05, 0.18)
    cold = Change(
        trigger=Trigger(fraction=part_made(d, r, 0.7, 0.9, 2.0)), target_c=cold_c, ramp_h=d.between(2, 12)
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
