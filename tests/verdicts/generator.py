"""Make one batch from its kind and seed: draw, run the yeast, run the gas, read the sensors, note the truth."""

import math
from dataclasses import replace

import numpy as np

from tests.verdicts.draws import Draws
from tests.verdicts.facts import tell_truth
from tests.verdicts.kinetics import gravity_at
from tests.verdicts.run import Run, due, play, prepare
from tests.verdicts.scripts import KINDS
from tests.verdicts.sensors import Span, read_pressure, read_temperature, sample_hours
from tests.verdicts.trigger import FloatArray, Trigger
from tests.verdicts.truth import Batch
from ullage.detectors.samples import Entry, Kind, Samples
from ullage.detectors.vessel import Probe, Vessel


def describe(run: Run, draws: Draws) -> Vessel:
    """Return the vessel as its owner describes it, with the errors that owners make."""
    r = run.recipe
    total = r.gas.beer_l + r.gas.head_l
    beer = min(r.gas.beer_l * (1 + r.volume_error), total * 0.97)
    told = None
    if r.tell_valve:
        told = round(min(max(r.valve.opening_bar + r.valve_error_bar, 0.4), r.rated_bar - 0.15), 2)
    high = math.ceil(float(run.beer_c.max()) + r.temperature_sensor.offset_c + 2.0)
    probe = Probe.AIR if r.temperature_sensor.air_part > 0.9 else Probe.BEER
    return Vessel(
        name="bench",
        total_volume_l=round(total, 1),
        beer_volume_l=round(min(beer, total - 0.2), 1),
        rated_pressure_bar=r.rated_bar,
        valve_pressure_bar=told,
        yeast_temperature_c=(float(math.floor(r.low_c)), float(high)) if r.tell_range else None,
        original_gravity=round(r.gravity + draws.between(-0.001, 0.001), 3) if r.tell_gravity else None,
        probe=probe if r.tell_probe else Probe.UNKNOWN,
    )


def observe(run: Run, draws: Draws) -> tuple[Samples, Span | None, tuple[Span, ...]]:
    """Read the sensors; return the samples (hours in place of seconds), the frozen spell and the gaps."""
    r = run.recipe
    last = float(run.hours[-1])

    def spell(trigger: Trigger, length_h: float) -> Span:
        at = due(run.course, trigger)
        return (at, min(at + length_h, last))

    gaps = tuple(spell(g.trigger, g.length_h) for g in r.gaps)
    frozen = spell(r.frozen.trigger, r.frozen.length_h) if r.frozen is not None else None
    sampling = replace(r.sampling, gaps=gaps)
    at_p = sample_hours(sampling, -r.open_before_h, last, draws)
    at_t = sample_hours(sampling, -r.open_before_h, last, draws, sampling.temperature_every)
    early = run.course.hours < 0
    grid = np.concatenate([run.course.hours[early], run.hours])
    beer = np.concatenate([run.course.beer_c[early], run.beer_c])
    air = np.concatenate([run.course.air_c[early], run.air_c])
    bar = np.concatenate([np.zeros(int(early.sum())), run.state.pressure])
    pressure = read_pressure(
        r.pressure_sensor,
        at_p,
        np.interp(at_p, grid, bar),
        np.interp(at_p, grid, air),
        limit_bar=r.rated_bar,
        frozen=frozen,
        draws=draws,
    )
    warmth = read_temperature(
        r.temperature_sensor, at_t, np.interp(at_t, grid, beer), np.interp(at_t, grid, air), draws
    )
    parts = [(Kind.PRESSURE, at_p, pressure), (Kind.TEMPERATURE, at_t, warmth)]
    if r.air_sensor is not None:
        at_a = sample_hours(sampling, -r.open_before_h, last, draws, sampling.temperature_every)
        beside = read_temperature(
            r.air_sensor, at_a, np.interp(at_a, grid, beer), np.interp(at_a, grid, air), draws
        )
        parts.append((Kind.AIR, at_a, beside))
    if r.float_noise is not None:
        parts.append((Kind.GRAVITY, *_float(run, draws)))
    return _merge(parts), frozen, gaps


def _float(run: Run, draws: Draws) -> tuple[FloatArray, FloatArray]:
    """Return hours and readings of a floating gravity sensor: every quarter of an hour, offset, noise, slow foam."""
    hours = np.arange(0.0, float(run.hours[-1]), 0.25) + draws.between(0, 0.2)
    made = np.interp(hours, run.hours, run.made_g_per_l)
    true = np.array([gravity_at(run.recipe.gravity, m) for m in made.tolist()])
    rate = np.gradient(made, 0.25)
    foam = draws.between(0, 0.002) * rate / max(float(rate.max()), 1e-9)
    noise = (run.recipe.float_noise or 0.0) * draws.rng.standard_normal(len(hours))
    return hours, np.asarray(np.round(true + foam + noise + draws.between(-0.003, 0.003), 4))


def _merge(parts: list[tuple[Kind, FloatArray, FloatArray]]) -> Samples:
    """Return the columns of all sensors in order of time."""
    time = np.concatenate([at for _, at, _ in parts])
    order = np.argsort(time, kind="stable")
    kind = np.concatenate([np.full(len(at), code, np.uint8) for code, at, _ in parts])
    value = np.concatenate([v for _, _, v in parts])
    return Samples(time_s=time[order], kind=kind[order], value=value[order])


def simulate(kind: str, seed: int) -> Run:
    """Draw a batch and run yeast and gas, without sensors: for tests of the physics."""
    draws = Draws(kind, seed)
    run = prepare(KINDS[kind](draws), draws)
    play(run)
    return run


def make_batch(kind: str, seed: int) -> Batch:
    """Return the batch of this kind and seed; the same each time, on every machine.

    Raises
    ------
    KeyError
        If there is no such kind.
    """
    draws = Draws(kind, seed)
    run = prepare(KINDS[kind](draws), draws)
    play(run)
    vessel = describe(run, draws)
    samples, frozen, gaps = observe(run, draws)
    start_s = 1_700_000_000.0 + round(draws.between(0, 3e7))
    if run.recipe.tell_pitched:
        run.said.append((0.0, "pitched"))
    entries = tuple(Entry(time_s=start_s + h * 3600, text=text) for h, text in sorted(run.said))
    return Batch(
        kind=kind,
        seed=seed,
        vessel=vessel,
        samples=replace(samples, time_s=start_s + np.round(samples.time_s * 3600, 3)),
        entries=entries,
        truth=tell_truth(run, vessel, samples, start_s, frozen, gaps),
    )
