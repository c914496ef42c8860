"""Several simulated vessels in one fridge, the brewer who tends them, and what the instruments say."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from numpy.random import Generator, default_rng

from ullage.adapters.errors import DataError
from ullage.adapters.reading import Quantity, Reading
from ullage.adapters.simulation.fridge import Fridge, FridgeSettings
from ullage.adapters.simulation.vessel import Controls, SimulatedVessel, VesselPlan, VesselState


@dataclass(frozen=True, slots=True)
class Act:
    """Something that the brewer does, in the words of the journal."""

    after_h: float
    vessel: str
    entry: str
    quiet: bool = False
    """Done without an entry in the journal: the heat belt, the gas bottle, a glass drawn."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CellarPlan:
    """A fridge, the vessels in it, and what the brewer does when.

    Parameters
    ----------
    vessels
        The vessels.
    script
        What the brewer does, in any order.
    fridge
        The fridge.
    fridge_c
        What its thermostat is set to at first.
    start_s
        Unix seconds at which the simulation begins.
    interval_s
        Time between readings.
    longest_step_s
        The simulation takes steps no longer than this.
    seed
        Of the noise: the same seed gives the same readings.
    """

    vessels: tuple[VesselPlan, ...]
    script: tuple[Act, ...] = ()
    fridge: FridgeSettings = field(default_factory=FridgeSettings)
    fridge_c: float = 18.0
    start_s: float = 1_772_355_600.0
    interval_s: float = 60.0
    longest_step_s: float = 60.0
    seed: int = 1


class Cellar:
    """Runs a plan step by step.

    The brewer's words: `pitched`, `valve shut`, `valve opened`, `valve set 1.5`, `vented`, `chill 2`, `fined 15`,
    `tapped`; and, without an entry in the journal, `fridge 12`, `belt 20`, `belt off`, `gas 1.1`, `gas off`,
    `drawn 0.5` (litres an hour from now on). Any other text is a free entry and moves nothing.

    Parameters
    ----------
    plan
        The plan.
    """

    def __init__(self, plan: CellarPlan) -> None:
        self.plan = plan
        self.now_s = plan.start_s
        self.fridge = Fridge(air_c=plan.fridge_c)
        self.fridge_c = plan.fridge_c
        self._vessels = {vessel.name: SimulatedVessel(vessel) for vessel in plan.vessels}
        self.states = {name: vessel.filled() for name, vessel in self._vessels.items()}
        self.controls = {name: Controls(belt_c=vessel.plan.belt_c) for name, vessel in self._vessels.items()}
        self._noise: Mapping[str, Generator] = {
            vessel.name: default_rng((plan.seed, place)) for place, vessel in enumerate(plan.vessels)
        }
        self._air_noise: Mapping[str, Generator] = {
            vessel.name: default_rng((plan.seed, place, 1))
            for place, vessel in enumerate(plan.vessels)
            if vessel.air_probe
        }
        self._script = sorted(plan.script, key=lambda act: act.after_h)
        for act in self._script:
            self._known(act.vessel)

    @property
    def vessels(self) -> Sequence[str]:
        """Names of the vessels."""
        return tuple(self._vessels)

    @property
    def elapsed_h(self) -> float:
        """Simulated hours since the beginning."""
        return (self.now_s - self.plan.start_s) / 3600.0

    def state(self, vessel: str) -> VesselState:
        """Return the truth about a vessel."""
        self._known(vessel)
        return self.states[vessel]

    def act(self, vessel: str, entry: str, *, quiet: bool = False) -> tuple[Reading, ...]:
        """Do something now; return the journal entry that it leaves.

        Raises
        ------
        DataError
            If there is no such vessel, or the number in a known word is missing or no number.
        """
        self.check(vessel, entry)
        self.controls[vessel] = _set(self.controls[vessel], entry)
        word, _, number = entry.partition(" ")
        if entry == "vented":
            self.states[vessel] = self._vessels[vessel].vented_by_hand(self.states[vessel])
        elif word in ("chill", "fridge"):
            self.fridge_c = float(number)
        return () if quiet else (Reading(vessel, Quantity.JOURNAL, self.now_s, 0.0, entry),)

    def check(self, vessel: str, entry: str) -> None:
        """Raise what `act` would raise, and do nothing."""
        self._known(vessel)
        _set(Controls(), entry)

    def advance(self) -> tuple[Reading, ...]:
        """Go on by one interval; return the journal entries made in it and the readings at its end."""
        entries: list[Reading] = []
        steps = max(1, math.ceil(self.plan.interval_s / self.plan.longest_step_s))
        end_s = self.now_s + self.plan.interval_s
        step_s = self.plan.interval_s / steps
        for _ in range(steps):
            while self._script and self._script[0].after_h <= self.elapsed_h + 1e-9:
                due = self._script.pop(0)
                entries.extend(self.act(due.vessel, due.entry, quiet=due.quiet))
            self._step(step_s / 3600.0)
            self.now_s += step_s
        self.now_s = end_s
        return (*entries, *self._read())

    def _step(self, hours: float) -> None:
        given_kj = 0.0
        for name, vessel in self._vessels.items():
            before = self.states[name]
            after = vessel.step(before, self.controls[name], self.fridge.air_c, hours)
            given_kj += after.lost_kj - before.lost_kj
            self.states[name] = after
        self.fridge = self.fridge.step(self.plan.fridge, self.fridge_c, given_kj, hours)

    def _read(self) -> list[Reading]:
        readings: list[Reading] = []
        for name, vessel in self._vessels.items():
            state, noise, shows = self.states[name], self._noise[name], vessel.plan.instruments
            beer_c = shows.temperature_c(state.probe_c, noise)
            top_bar = shows.pressure_bar(state.pressure_bar, noise)
            readings.append(Reading(name, Quantity.TEMPERATURE, self.now_s, beer_c))
            readings.append(Reading(name, Quantity.PRESSURE, self.now_s, top_bar))
            if vessel.plan.air_probe:
                air_c = shows.temperature_c(self.fridge.air_c, self._air_noise[name])
                readings.append(Reading(name, Quantity.AIR_TEMPERATURE, self.now_s, air_c))
        return readings

    def _known(self, vessel: str) -> None:
        if vessel not in self._vessels:
            raise DataError(
                f"vessel {vessel!r}", "is not in the simulation", "it has " + ", ".join(self._vessels)
            )


def _set(controls: Controls, entry: str) -> Controls:
    """Return the controls of a vessel after the brewer's word."""
    word, _, number = entry.partition(" ")
    off = number.strip() == "off"
    if entry == "pitched":
        return replace(controls, pitched=True)
    if entry == "valve shut":
        return replace(controls, shut=True)
    if entry == "valve opened":
        return replace(controls, shut=False)
    if entry.startswith("valve set "):
        return replace(controls, set_bar=_number(entry, entry[len("valve set ") :]), shut=False)
    if word in ("chill", "fridge"):
        _number(entry, number)
        return replace(controls, belt_c=None) if word == "chill" else controls
    if word == "belt":
        return replace(controls, belt_c=None if off else _number(entry, number))
    if word == "gas":
        return replace(controls, regulator_bar=None if off else _number(entry, number))
    if word == "drawn":
        return replace(controls, drawn_l_per_h=_number(entry, number))
    return controls  # fined, tapped and free text move nothing


def _number(entry: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise DataError(
            f"entry {entry!r}", "lacks its number", "write for instance 'valve set 1.5' or 'chill 2'"
        )
    return value
