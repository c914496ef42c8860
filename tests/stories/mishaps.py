"""Makes the short fixtures in `replay_fixtures/`, in which something goes wrong or is done too early.

    python -m tests.stories.mishaps            # log, configuration and truth of each, always the same
    python -m tests.stories.mishaps grebe      # of one

Beers and vessels are invented. Every moment in a truth file follows from the simulation's own state, from what was done
to vessel and sensor, or (over-pressure alone, where the rule counts readings) from the readings themselves.
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

from tests.stories.batches_told import curlew, dipper
from tests.stories.truth_file import HOUR, Due, Story, write_story
from ullage.adapters.reading import Quantity, Reading
from ullage.adapters.simulation.batches import FRIDGE_C, ale
from ullage.adapters.simulation.cellar import Cellar, CellarPlan
from ullage.adapters.simulation.gas import Valve
from ullage.adapters.simulation.vessel import VesselPlan, VesselState

START_S = 1_777_622_400.0
"""2026-05-01 08:00 UTC, an invented morning."""
DONE_G_PER_L = 0.4
"""CO2 still to come at which a batch counts as finished (about 0.1 °P)."""
FIRST_GAS_G_PER_L = 0.05
SOON_H = 6.0
"""Begun, and held: told within so long."""


@dataclass(slots=True)
class Brewer:
    """One simulated vessel, what was read, and the moments of the truth in hours since the start."""

    plan: VesselPlan
    cellar: Cellar
    rows: list[Reading] = field(default_factory=list)
    at: dict[str, float] = field(default_factory=dict)

    @staticmethod
    def of(plan: VesselPlan) -> "Brewer":
        """Return a brewer before an empty log; nothing is pitched yet."""
        return Brewer(plan, Cellar(CellarPlan(vessels=(plan,), fridge_c=FRIDGE_C, start_s=START_S)))

    @property
    def hours(self) -> float:
        """Hours since the start."""
        return self.cellar.elapsed_h

    @property
    def state(self) -> VesselState:
        """The true state."""
        return self.cellar.state(self.plan.name)

    def act(self, entry: str, *, quiet: bool = False) -> None:
        """Do something, with or without an entry in the journal."""
        self.rows.extend(self.cellar.act(self.plan.name, entry, quiet=quiet))

    def go(self, hours: float) -> None:
        """Let time pass."""
        until = self.hours + hours
        self.until(lambda _state: self.hours > until - 1e-6)

    def until(self, reached: Callable[[VesselState], bool]) -> float:
        """Let time pass until the true state is such; return the hour."""
        while not reached(self.state):
            before = self.state.vented_g
            self.rows.extend(self.cellar.advance())
            if self.state.made_g > FIRST_GAS_G_PER_L * self.plan.beer_l:
                self.at.setdefault("first gas", self.hours)
            if self.state.vented_g > before:
                self.at.setdefault("valve passes gas", self.hours)
        return self.hours

    def begun(self) -> list[Due]:
        """Return what is true of every batch that ferments behind a valve."""
        gas, held = self.at["first gas"], self.at["valve passes gas"]
        return [
            # dissolved gas is not seen: from pitching on any production counts
            Due(
                condition="activity",
                from_h=0.0,
                by_h=gas + SOON_H,
                why="from pitching, and first 0.05 g/L made",
            ),
            Due(condition="held", from_h=held, by_h=held + SOON_H, why="the valve lets gas off"),
        ]


def _settings(plan: VesselPlan, rated_bar: float, **more: Any) -> list[str]:
    """Return the configuration's lines for a vessel of the cellar."""
    lines = [f"total_volume_l: {plan.total_l:g}", f"beer_volume_l: {plan.beer_l:g}"]
    lines += [f"rated_pressure_bar: {rated_bar:g}", f"valve_pressure_bar: {plan.valve.opening_bar:g}"]
    return [*lines, "yeast_temperature_c: [18, 24]", *(f"{key}: {value}" for key, value in more.items())]


def plover() -> Story:
    """A smooth valve set low: the shut-valve test too early and again after the end, then a chill without gas."""
    valve = Valve(opening_bar=0.5, flow_mol_per_h_bar=9.0)
    brewer = Brewer.of(replace(ale("plover"), valve=valve))
    brewer.act("pitched")
    total = brewer.state.co2_to_come_g_per_l
    shut_early = brewer.until(lambda state: state.co2_to_come_g_per_l < 0.3 * total)
    brewer.act("valve shut")
    brewer.go(2.5)
    brewer.act("valve opened")
    ninety = brewer.until(lambda state: state.co2_to_come_g_per_l < 0.1 * total)
    done = brewer.until(lambda state: state.co2_to_come_g_per_l < DONE_G_PER_L)
    brewer.go(26)
    shut = brewer.hours
    brewer.act("valve shut")
    brewer.go(16)
    chill = brewer.hours
    brewer.act("belt off", quiet=True)
    brewer.act("chill 2")
    low = brewer.until(lambda state: state.pressure_bar < 0.05)
    brewer.go(4)
    truth = [
        *brewer.begun(),
        Due(condition="still-fermenting", from_h=shut_early, by_h=shut_early + 1.5,
            why="the valve is wound shut while three tenths of the gas are still to come"),
        Due(condition="finish-suspected", from_h=ninety, by_h=done + 24,
            why="nine tenths made; a day after no more than 0.4 g/L are to come"),
        Due(condition="finished", from_h=shut, by_h=shut + 12, why="the valve wound shut, 26 h after the end"),
        Due(condition="pressure-low", from_h=chill, by_h=low, why="the chill begins; pressure falls below 0.05 bar"),
    ]  # fmt: skip
    return Story(
        vessel="plover", title="test_too_early", end_h=done, start_s=START_S, rows=brewer.rows, truth=truth,
        about="A valve that passes smoothly, tested too early and again later; then a chill from too little pressure.",
        settings=_settings(brewer.plan, 2.5, original_gravity=1.048, probe="beer"),
    )  # fmt: skip


def grebe() -> Story:
    """A valve that is stuck shut: pressure climbs past the rated limit until somebody lets it off."""
    rated_bar = 2.2
    brewer = Brewer.of(replace(ale("grebe"), valve=Valve(opening_bar=1.2)))
    brewer.act("valve shut", quiet=True)
    brewer.act("pitched")
    over = brewer.until(lambda state: state.pressure_bar > rated_bar)
    brewer.go(0.5)
    brewer.act("vented")
    brewer.go(1.5)
    bars = [row for row in brewer.rows if row.quantity is Quantity.PRESSURE]
    second = next(b for a, b in pairwise(bars) if min(a.value, b.value) > rated_bar)
    second_h = (second.time_s - START_S) / HOUR
    gas = brewer.at["first gas"]
    truth = [
        Due(condition="activity", from_h=0.0, by_h=gas + SOON_H, why="from pitching, and first 0.05 g/L made"),
        Due(condition="pressure-rising", from_h=over - 3, by_h=over - 0.5,
            why="three hours to half an hour before the true pressure passes the rated one"),
        Due(condition="over-pressure", from_h=second_h, by_h=second_h,
            why="the second of two readings in a row above the rated pressure"),
    ]  # fmt: skip
    return Story(
        vessel="grebe", title="stuck_valve", start_s=START_S, rows=brewer.rows, truth=truth,
        about="A valve stuck shut: the pressure passes the rated one, and the brewer vents half an hour later.",
        settings=_settings(brewer.plan, rated_bar, original_gravity=1.048, probe="beer"),
    )  # fmt: skip


def wren() -> Story:
    """Dead yeast, and a belt whose thermostat holds the wort far too warm from the second day on."""
    brewer = Brewer.of(replace(ale("wren"), vigour=1e-9))
    brewer.act("pitched")
    brewer.go(26)
    brewer.act("belt 28", quiet=True)
    brewer.act("fridge 19", quiet=True)
    warm = brewer.until(lambda state: state.beer_c > 24.0)
    brewer.go(max(40.0 - brewer.hours, 6.0))
    truth = [
        Due(condition="no-activity", from_h=24.0, by_h=37.0,
            why="nothing is ever made; 36 h are allowed for the first gas, and a day is usual (common practice)"),
        Due(condition="temperature-high", from_h=warm, by_h=warm + 2,
            why="the beer passes the yeast's 24 °C"),
    ]  # fmt: skip
    return Story(
        vessel="wren", title="dead_wort", start_s=START_S, rows=brewer.rows, truth=truth,
        about="Yeast that is dead, and a heat belt that runs away on the second day.",
        settings=_settings(brewer.plan, 3.0, probe="beer"),
    )  # fmt: skip


SILENT_H, FROZEN_H, BROKEN_H = (30.0, 32.0), (40.0, 47.0), (52.0, 53.0)
"""Spells in which the pressure sensor says nothing, repeats itself, and the thermometer is unplugged."""


def _spoiled(rows: list[Reading]) -> list[Reading]:
    """Return the readings as three faults leave them."""
    kept: list[Reading] = []
    stuck: float | None = None
    for row in rows:
        hour = (row.time_s - START_S) / HOUR
        if row.quantity is Quantity.PRESSURE:
            if SILENT_H[0] < hour < SILENT_H[1]:
                continue
            if FROZEN_H[0] <= hour < FROZEN_H[1]:
                stuck = row.value if stuck is None else stuck
                row = replace(row, value=stuck)
        elif row.quantity is Quantity.TEMPERATURE and BROKEN_H[0] <= hour < BROKEN_H[1]:
            row = replace(
                row, value=-127.0
            )  # what the common digital thermometer's driver says without a sensor
        kept.append(row)
    return kept


def siskin() -> Story:
    """Three faults of sensors while a batch ferments undisturbed behind a cycling valve."""
    brewer = Brewer.of(ale("siskin"))
    brewer.act("pitched")
    brewer.go(56)
    truth = [
        *brewer.begun(),
        Due(condition="sensor-silent", from_h=SILENT_H[0], by_h=SILENT_H[0] + 1, why="the last pressure reading"),
        Due(condition="sensor-frozen", from_h=FROZEN_H[0], by_h=FROZEN_H[0] + 3, why="the pressure repeats itself"),
        Due(condition="sensor-implausible", from_h=BROKEN_H[0], by_h=BROKEN_H[0] + 0.25,
            why="the thermometer says -127 °C"),
    ]  # fmt: skip
    return Story(
        vessel="siskin", title="sensor_faults", start_s=START_S, rows=_spoiled(brewer.rows), truth=truth,
        about="Pressure silent for two hours, later the same value for seven, and a thermometer unplugged for one.",
        settings=_settings(brewer.plan, 3.0, original_gravity=1.048, probe="beer"),
    )  # fmt: skip


STORIES: dict[str, Callable[[], Story]] = {
    story.__name__: story for story in (plover, grebe, wren, siskin, curlew, dipper)
}


def main(names: list[str]) -> None:
    """Write the stories named, or all."""
    for name in names or STORIES:
        write_story(STORIES[name]())


if __name__ == "__main__":
    main(sys.argv[1:])
