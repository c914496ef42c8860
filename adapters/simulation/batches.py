"""Two invented batches, an ale and a lager in one fridge, and the brewer's plan for them."""

from ullage.adapters.simulation.cellar import Act, CellarPlan
from ullage.adapters.simulation.fridge import Body
from ullage.adapters.simulation.gas import Valve
from ullage.adapters.simulation.instruments import Instruments
from ullage.adapters.simulation.vessel import VesselPlan

FRIDGE_C = 10.5
"""Holds the lager at about 12 °C while it gives off heat; the ale's belt makes up the rest."""


def ale(name: str) -> VesselPlan:
    """Return an ale of 12 °P at 20 °C behind a valve with blow-down."""
    return VesselPlan(
        name=name,
        wort_share=0.705,
        lag_h=9.0,
        vigour=1.5,
        pitched_c=19.5,
        belt_c=20.0,
        valve=Valve(opening_bar=1.5, blow_down_bar=0.08, flow_mol_per_h_bar=9.0),
        body=Body(belt_w=50.0),
        instruments=Instruments(pressure_offset_bar=0.004),
    )


def lager(name: str) -> VesselPlan:
    """Return a lager of 12 °P at 12 °C behind a valve that passes smoothly, with a thermometer in the air around it."""
    return VesselPlan(
        name=name,
        wort_share=0.69,
        lag_h=8.0,
        vigour=2.1,
        pitched_c=12.0,
        belt_c=12.0,
        valve=Valve(opening_bar=1.2, flow_mol_per_h_bar=7.0),
        body=Body(belt_w=50.0),
        air_probe=True,
        instruments=Instruments(pressure_offset_bar=-0.006),
    )


def both(
    ale_name: str, lager_name: str, *, tests: bool = True
) -> tuple[tuple[VesselPlan, ...], tuple[Act, ...]]:
    """Return the vessels and what the brewer does with them, over sixteen days.

    Parameters
    ----------
    ale_name, lager_name
        Names of the vessels.
    tests
        Whether the brewer winds the valves shut by the calendar to look for the end. Without, somebody who
        follows the daemon's advice calls `Cellar.act`.
    """
    ale_acts = [Act(0.0, ale_name, "pitched")]
    lager_acts = [
        Act(0.0, lager_name, "pitched"),
        Act(24.0 * 5, lager_name, "belt 16", quiet=True),
    ]
    if tests:
        ale_acts += [Act(24.0 * 5.75, ale_name, "valve shut")]
        lager_acts += [Act(24.0 * 10, lager_name, "valve shut")]
    ale_acts += [Act(24.0 * 7.5, ale_name, "belt off", quiet=True), *_finish(ale_name, 24.0 * 12.0)]
    lager_acts += _finish(lager_name, 24.0 * 12.0)
    return (ale(ale_name), lager(lager_name)), (*ale_acts, *lager_acts)


def _finish(vessel: str, chilled_h: float) -> list[Act]:
    """Chill, fine and tap: each wait is common practice."""
    return [
        Act(chilled_h, vessel, "chill 2"),
        Act(chilled_h + 40.0, vessel, "fined 15"),
        Act(chilled_h + 76.0, vessel, "tapped"),
        Act(chilled_h + 76.0, vessel, "gas 0.9", quiet=True),
        Act(chilled_h + 77.0, vessel, "drawn 0.25", quiet=True),
        Act(chilled_h + 80.0, vessel, "drawn 0", quiet=True),
    ]


def demo_cellar(
    ale_name: str = "heron",
    lager_name: str = "otter",
    *,
    tests: bool = True,
    start_s: float = 1_772_355_600.0,
    interval_s: float = 60.0,
    seed: int = 1,
) -> CellarPlan:
    """Return the plan of the demonstration: invented vessels, invented beer."""
    vessels, script = both(ale_name, lager_name, tests=tests)
    return CellarPlan(
        vessels=vessels,
        script=script,
        fridge_c=FRIDGE_C,
        start_s=start_s,
        interval_s=interval_s,
        seed=seed,
    )
