"""Two batches of the generator of verdicts as stories: a leak after the end, and a stall in the cold."""

from dataclasses import replace

from tests.stories.truth_file import HOUR, Due, Story
from tests.verdicts.draws import Draws
from tests.verdicts.facts import tell_truth
from tests.verdicts.generator import describe, observe
from tests.verdicts.recipe import Leak, Recipe, ordinary
from tests.verdicts.run import Run, play, prepare
from tests.verdicts.thermal import Change
from tests.verdicts.trigger import Trigger
from tests.verdicts.truth import Truth
from ullage.adapters.reading import Quantity, Reading
from ullage.detectors.samples import Kind, Samples
from ullage.detectors.vessel import Vessel

START_S = 1_780_300_800.0
"""2026-06-01 08:00 UTC, an invented morning."""
QUANTITIES = {Kind.TEMPERATURE: Quantity.TEMPERATURE, Kind.PRESSURE: Quantity.PRESSURE}


def _plain(recipe: Recipe) -> Recipe:
    """Return the recipe with a reading a minute, sensors that tell the truth, and an owner who knows the vessel."""
    return replace(
        recipe,
        sampling=replace(recipe.sampling, interval_s=60.0, temperature_every=1, jitter=0.0, lost_part=0.0),
        pressure_sensor=replace(recipe.pressure_sensor, zero_bar=0.0, gain=1.0, bits=12, spikes=0, noise_bar=0.002),
        temperature_sensor=replace(recipe.temperature_sensor, offset_c=0.0, air_part=0.0, false_values=0),
        open_before_h=0.0,
        valve_error_bar=0.0,
        volume_error=0.0,
        tell_pitched=True,
        tell_range=True,
        tell_gravity=True,
        tell_probe=True,
    )  # fmt: skip


def _played(recipe: Recipe, draws: Draws) -> tuple[Run, Vessel, Samples, Truth]:
    run = prepare(recipe, draws)
    play(run)
    vessel = describe(run, draws)
    samples, frozen, gaps = observe(run, draws)
    run.said.append((0.0, "pitched"))
    return run, vessel, samples, tell_truth(run, vessel, samples, 0.0, frozen, gaps)


def _rows(name: str, run: Run, samples: Samples) -> list[Reading]:
    said = [Reading(name, Quantity.JOURNAL, START_S + hour * HOUR, 0.0, text) for hour, text in run.said]
    read = [
        Reading(name, QUANTITIES[Kind(kind)], round(START_S + hour * HOUR), value)
        for hour, kind, value in zip(
            samples.time_s.tolist(), samples.kind.tolist(), samples.value.tolist(), strict=True
        )
    ]
    return sorted([*said, *read], key=lambda row: row.time_s)


def _settings(vessel: Vessel) -> list[str]:
    low, high = vessel.yeast_temperature_c or (18.0, 24.0)
    return [
        f"total_volume_l: {vessel.total_volume_l:g}",
        f"beer_volume_l: {vessel.beer_volume_l:g}",
        f"rated_pressure_bar: {vessel.rated_pressure_bar:g}",
        f"valve_pressure_bar: {vessel.valve_pressure_bar:g}",
        f"yeast_temperature_c: [{low:g}, {high:g}]",
        f"original_gravity: {vessel.original_gravity:g}",
        f"probe: {vessel.probe.value}",
    ]


def _begun(truth: Truth) -> list[Due]:
    gas_h, held_h = truth.activity_s / HOUR, truth.stage_s["held at pressure"] / HOUR
    return [
        Due(condition="activity", from_h=0.0, by_h=gas_h + 6, why="from pitching, and first 0.05 g/L made"),
        Due(condition="held", from_h=held_h, by_h=held_h + 6, why="the valve lets gas off"),
    ]


def curlew(seed: int = 2) -> Story:
    """A cycling valve, and a lid that begins to leak long after the end."""
    draws = Draws("curlew", seed)
    recipe = _plain(ordinary(draws, "ale", "pop"))
    recipe = replace(
        recipe,
        leak=Leak(trigger=Trigger(to_come=0.4, delay_h=40.0), per_h=0.02),
        stop=Trigger(to_come=0.4, delay_h=64.0),
    )
    run, vessel, samples, truth = _played(recipe, draws)
    leak_h, visible_h, end_h = truth.leak_start_s / HOUR, truth.leak_visible_s / HOUR, truth.end_s / HOUR
    due = [
        *_begun(truth),
        Due(condition="finished", from_h=end_h, by_h=None, why="no more than 0.4 g/L to come"),
        Due(condition="leak", from_h=leak_h, by_h=visible_h + 12,
            why="it begins; 12 h after it has taken 20 mbar that production doesn't make up for"),
    ]  # fmt: skip
    return Story(
        vessel="curlew", title="leak_after_end", end_h=end_h, start_s=START_S, rows=_rows("curlew", run, samples), truth=due,
        about="A leak of 2 % of the pressure an hour begins forty hours after the end.", settings=_settings(vessel),
    )  # fmt: skip


def dipper(seed: int = 6) -> Story:
    """Yeast put to sleep by cold half-way, and warmed again two days later."""
    draws = Draws("dipper", seed)
    recipe = _plain(ordinary(draws, "ale", "pop"))
    cold_c = recipe.yeast.stop_c - 3.0
    recipe = replace(
        recipe,
        thermal=replace(recipe.thermal, control_gain=0.0),
        changes=(
            Change(trigger=Trigger(fraction=0.5), target_c=cold_c, ramp_h=3.0),
            Change(trigger=Trigger(after_h=0, delay_h=48.0), target_c=recipe.thermal.base_c, ramp_h=4.0),
        ),
        stop=Trigger(to_come=0.4, delay_h=24.0),
    )
    run, vessel, samples, truth = _played(recipe, draws)
    low_c = (vessel.yeast_temperature_c or (0.0, 0.0))[0]
    cold_h = next(
        hour for hour, beer_c in zip(run.hours.tolist(), run.beer_c.tolist(), strict=True)
        if hour > truth.activity_s / HOUR and beer_c < low_c
    )  # fmt: skip
    due = [
        *_begun(truth),
        Due(condition="temperature-low", from_h=cold_h, by_h=cold_h + 2, why="the beer falls below the yeast's range"),
        Due(condition="stalled", from_h=cold_h, by_h=truth.stall_s / HOUR + 12,
            why="the beer is too cold; 12 h after the yeast is asleep with gas still to make"),
        Due(condition="finished", from_h=truth.end_s / HOUR, by_h=None, why="no more than 0.4 g/L to come"),
    ]  # fmt: skip
    return Story(
        vessel="dipper", title="cold_stall", end_h=truth.end_s / HOUR, start_s=START_S,
        rows=_rows("dipper", run, samples), truth=due,
        about="A cold stall half-way, warmed again two days later.", settings=_settings(vessel),
    )  # fmt: skip
