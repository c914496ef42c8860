"""The simulated vessel against published figures and its own balances; the source that runs it."""

import math
import threading
import time
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from iapws import IAPWS97  # type: ignore[import-untyped]

from ullage.adapters.errors import DataError
from ullage.adapters.reading import Delivery, Quantity, Reading
from ullage.adapters.simulated import SimulatedSettings, SimulatedSource
from ullage.adapters.simulation import gas
from ullage.adapters.simulation.batches import demo_cellar
from ullage.adapters.simulation.cellar import Act, Cellar, CellarPlan
from ullage.adapters.simulation.fridge import WATT_HOURS_TO_KJ, Body
from ullage.adapters.simulation.gas import HeadSpace, Valve
from ullage.adapters.simulation.instruments import Instruments
from ullage.adapters.simulation.kinetics import CO2_G_PER_MOL, Wort, ferment, rate_constants
from ullage.adapters.simulation.vessel import Controls, SimulatedVessel, VesselPlan, VesselState
from ullage.daemon.clock import ManualClock, SystemClock

MINUTE_H = 1 / 60
START_S = 1_772_355_600.0


# --- yeast ----------------------------------------------------------------------------------------------------


def test_the_published_wort_makes_the_published_gas() -> None:
    """54.6 g/L of CO2 from the published sugars (Gee and Ramirez 1988; checks.csv gee_ramirez_total_co2)."""
    assert Wort.pitched().co2_to_come_g_per_l() == pytest.approx(54.6, abs=0.1)


def test_the_maltose_rate_is_the_published_one() -> None:
    """μM at 12 °C is 0.0289 1/h by the temperature term (Gee and Ramirez 1988)."""
    assert rate_constants(1200)[1] == pytest.approx(0.0289, abs=0.0005)


# Isothermal constants at 4 / 8 / 12 / 16 °C, published beside the temperature terms that were fitted to them
# (Gee and Ramirez 1988). The fit itself misses single points by up to a factor of 1.4 for the rates.
ISOTHERMAL = [
    (0, (0.0048, 0.013, 0.015, 0.0302)),
    (1, (0.0144, 0.0268, 0.028, 0.0364)),
    (2, (0.087, 0.113, 0.13, 0.151)),
]


@pytest.mark.parametrize(("index", "published"), ISOTHERMAL)
def test_rates_follow_the_isothermal_measurements(index: int, published: tuple[float, ...]) -> None:
    """The temperature terms pass through the constants measured at single temperatures."""
    for celsius, rate in zip((4, 8, 12, 16), published, strict=True):
        assert rate_constants(celsius * 100)[index] / rate == pytest.approx(1.0, abs=0.4)


# Peak rate g/(L h), its hour, hour of 90 %, peak heat W/L: an independent integration of the published model
# (physics reference, section 4), without lag.
RUNS = [
    (8.0, 0.21, 46, 561, 0.07),
    (10.5, 0.32, 34, 377, 0.11),
    (12.0, 0.41, 28, 299, 0.14),
    (16.0, 0.73, 17, 165, 0.24),
    (20.0, 1.25, 10, 94, 0.42),
]


@pytest.mark.parametrize(("celsius", "peak", "peak_h", "most_h", "heat"), RUNS)
def test_a_batch_runs_as_integrated_elsewhere(
    celsius: float, peak: float, peak_h: float, most_h: float, heat: float
) -> None:
    """Peak within 3 %, 90 % within 1 %, heat within 5 % of the table."""
    wort, hour, best, best_h, best_heat = Wort.pitched(), 0.0, 0.0, 0.0, 0.0
    tenth = wort.co2_to_come_g_per_l() / 10
    while wort.co2_to_come_g_per_l() > tenth:
        done = ferment(wort, celsius, 0.1)
        wort, hour = done.wort, hour + 0.1
        if done.co2_g_per_l / 0.1 > best:
            best, best_h = done.co2_g_per_l / 0.1, hour
            best_heat = done.heat_kj_per_l / 0.1 / WATT_HOURS_TO_KJ
    assert best == pytest.approx(peak, rel=0.03)
    assert best_h == pytest.approx(peak_h, abs=1.0)
    assert hour == pytest.approx(most_h, rel=0.01)
    assert best_heat == pytest.approx(heat, abs=0.006)


def test_the_step_does_not_matter() -> None:
    """Steps of a minute and of a quarter of one give the same batch within a thousandth."""
    ends = []
    for hours in (MINUTE_H, MINUTE_H / 4):
        wort = Wort.pitched(0.7, lag_h=10)
        for _ in range(round(48 / hours)):
            wort = ferment(wort, 20.0, hours).wort
        ends.append(wort.co2_to_come_g_per_l())
    assert ends[0] == pytest.approx(ends[1], rel=1e-3)


def test_lag_comes_first_and_is_longer_in_the_cold() -> None:
    """With a lag of ten hours little happens in the first five (3 to 15 h for an ale, trade), less when cold."""
    made = {}
    for celsius in (12.0, 20.0):
        wort = Wort.pitched(lag_h=10.0)
        total = wort.co2_to_come_g_per_l()
        for _ in range(300):
            wort = ferment(wort, celsius, MINUTE_H).wort
        made[celsius] = (total - wort.co2_to_come_g_per_l()) / total
    assert 0 < made[12.0] < made[20.0] < 0.02


def test_heat_is_that_of_the_trade() -> None:
    """The whole batch gives 47 to 54 kJ for each litre of 12 °P wort (560 to 650 kJ/kg, Barth; trade)."""
    wort, heat_kj = Wort.pitched(0.705), 0.0
    for _ in range(4000):
        done = ferment(wort, 20.0, 0.1)
        wort, heat_kj = done.wort, heat_kj + done.heat_kj_per_l
    assert 45.0 < heat_kj < 54.0


# --- gas ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("kelvin", "published"), [(300.0, -1.7508), (400.0, -0.5450), (500.0, -0.6524)])
def test_solubility_in_water_meets_the_guideline(kelvin: float, published: float) -> None:
    """ln(kH/GPa) of CO2 as in the computer-check table of IAPWS G7-04."""
    assert math.log(gas.henry_bar(kelvin - 273.15) / 1e4) == pytest.approx(published, abs=6e-5)


@pytest.mark.parametrize("celsius", [0.5, 5.0, 20.0, 25.0])
def test_water_vapour_is_that_of_a_steam_library(celsius: float) -> None:
    """Saturation pressure within a thousandth of IAPWS-IF97, by the iapws library."""
    assert gas.water_vapour_bar(celsius) == pytest.approx(IAPWS97(T=celsius + 273.15, x=0).P * 10, rel=1e-3)


def test_beer_holds_what_the_chart_says() -> None:
    """At 38 °F and 12 psi a chart of the ASBC type gives 2.57 volumes, 5.04 g/L (BrewingTechniques 2(1), Table I)."""
    held = gas.solubility_g_per_l_bar((38 - 32) / 1.8) * (12 + 14.696) * 0.0689476
    assert held == pytest.approx(5.04, rel=0.03)


def test_head_space_gas_is_real_gas() -> None:
    """1.9768 g/L at 0 °C and 1 atm, Z 0.9894 at 20 °C and 2.013 bar (Span and Wagner 1996)."""
    space = HeadSpace(1.0, 1.9768 / CO2_G_PER_MOL, 0.0)
    assert space.co2_bar(0.0) == pytest.approx(1.01325, rel=2e-4)
    density = 2.01325 / (0.9894 * gas.GAS_CONSTANT_L_BAR * 293.15)
    assert HeadSpace(1.0, density, 0.0).co2_bar(20.0) == pytest.approx(2.01325, rel=3e-4)


def test_a_vessel_of_air_stands_at_the_pressure_of_the_room() -> None:
    """As it is closed there is no gauge pressure."""
    assert HeadSpace.of_air(4.0, 20.0).pressure_bar(20.0) == pytest.approx(0.0, abs=1e-12)


def test_a_sealed_chill_ends_where_the_balance_says() -> None:
    """20 L with 3 L of gas, 1.2 bar at 18 °C, at rest again at 2 °C: 0.37 bar (checks.csv, common practice).

    The check value uses another solubility formula, hence the tolerance.
    """
    vessel = SimulatedVessel(VesselPlan(name="x", total_l=23.0, beer_l=20.0, pitched_c=18.0, relief_bar=5.0))
    co2_mol = 2.21325 / (gas.GAS_CONSTANT_L_BAR * 291.15) / 0.987 * 3.0
    state = replace(
        vessel.filled(),
        space=HeadSpace(3.0, co2_mol, 0.0),
        dissolved_g=20.0 * gas.solubility_g_per_l_bar(18.0) * HeadSpace(3.0, co2_mol, 0.0).co2_bar(18.0),
    )
    assert state.pressure_bar == pytest.approx(1.2, abs=0.03)
    for _ in range(24 * 12 * 10):
        state = vessel.step(state, Controls(shut=True), 2.0, 1 / 12)
    assert state.beer_c == pytest.approx(2.0, abs=0.05)
    assert state.pressure_bar == pytest.approx(0.37, abs=0.06)


def test_fermenting_beer_is_supersaturated_and_comes_to_rest() -> None:
    """The ale passes 1.05 but not the 1.67 of saturation once measured (Delente and Gurley 1968), and ends near 1."""
    vessel = SimulatedVessel(VesselPlan(name="x", lag_h=5.0))
    state, highest = vessel.filled(), 0.0
    for _ in range(60 * 24 * 14):
        state = vessel.step(state, Controls(pitched=True, belt_c=20.0), 18.0, MINUTE_H)
        if state.pressure_bar > 1.0:
            held_g = (
                gas.solubility_g_per_l_bar(state.beer_c) * state.space.co2_bar(state.beer_c) * state.beer_l
            )
            highest = max(highest, state.dissolved_g / held_g)
    assert 1.05 < highest < 1.67
    assert state.dissolved_g / held_g == pytest.approx(1.0, abs=0.02)


def pressures(valve: Valve, hours: float, *, pitched_h: float = 40.0) -> list[float]:
    """Pressure each minute behind a valve, from `pitched_h` on."""
    vessel = SimulatedVessel(VesselPlan(name="x", lag_h=0.0, valve=valve))
    state, seen = vessel.filled(), []
    for minute in range(round((pitched_h + hours) * 60)):
        state = vessel.step(state, Controls(pitched=True, belt_c=20.0), 18.0, MINUTE_H)
        if minute >= pitched_h * 60:
            seen.append(state.pressure_bar)
    return seen


def test_a_valve_with_blow_down_makes_teeth_that_grow_apart() -> None:
    """Between opening and reseat the pressure saws; the teeth are longer when the yeast has slowed."""
    valve = Valve(opening_bar=1.5, blow_down_bar=0.1, flow_mol_per_h_bar=20.0)
    early, late = pressures(valve, 12.0), pressures(valve, 12.0, pitched_h=80.0)
    teeth = [sum(a > b + 0.03 for a, b in pairwise(seen)) for seen in (early, late)]
    assert teeth[0] > teeth[1] >= 1
    assert min(late) > 1.39
    assert max(late) < 1.53


def test_a_smooth_valve_holds_a_little_above_its_seat_and_less_as_flow_falls() -> None:
    """Without blow-down the pressure stays above reseat and sinks towards it."""
    seen = pressures(Valve(opening_bar=1.2, flow_mol_per_h_bar=7.0), 60.0)
    assert max(abs(a - b) for a, b in pairwise(seen)) < 0.005
    assert 1.2 <= seen[-1] < seen[0] < 1.3


# --- laws -----------------------------------------------------------------------------------------------------

PLANS = st.builds(
    VesselPlan,
    name=st.just("x"),
    total_l=st.floats(22.0, 40.0),
    beer_l=st.floats(10.0, 21.0),
    wort_share=st.floats(0.3, 1.2),
    lag_h=st.floats(0.0, 20.0),
    vigour=st.floats(0.3, 3.0),
    pitched_c=st.floats(4.0, 25.0),
    valve=st.builds(
        Valve,
        opening_bar=st.floats(0.2, 2.5),
        blow_down_bar=st.floats(0.0, 0.15),
        flow_mol_per_h_bar=st.floats(1.0, 50.0),
    ),
    relief_bar=st.floats(0.3, 3.0),
    leak_mol_per_h_bar=st.sampled_from([0.0, 0.0, 0.05]),
)
CONTROLS = st.builds(
    Controls,
    pitched=st.booleans(),
    shut=st.booleans(),
    set_bar=st.none() | st.floats(0.2, 2.5),
    belt_c=st.none() | st.floats(5.0, 25.0),
    regulator_bar=st.none() | st.floats(0.1, 0.25),
    drawn_l_per_h=st.sampled_from([0.0, 0.0, 2.0]),
)
SPELLS = st.lists(st.tuples(CONTROLS, st.floats(0.0, 25.0), st.booleans()), min_size=1, max_size=5)


def lived(
    plan: VesselPlan, spells: list[tuple[Controls, float, bool]]
) -> list[tuple[VesselState, VesselState]]:
    """Let a vessel live through spells of six hours; return each step's before and after."""
    vessel = SimulatedVessel(plan)
    state = vessel.filled()
    steps = []
    for controls, air_c, vent in spells:
        if vent:
            state = vessel.vented_by_hand(state)
        for _ in range(180):
            after = vessel.step(state, controls, air_c, 2 * MINUTE_H)
            steps.append((state, after))
            state = after
    return steps


def head_space_g(state: VesselState) -> float:
    """Return the CO2 above the beer."""
    return state.space.co2_mol * CO2_G_PER_MOL


@settings(max_examples=15, deadline=None)
@given(PLANS, SPELLS)
def test_carbon_dioxide_is_conserved(plan: VesselPlan, spells: list[tuple[Controls, float, bool]]) -> None:
    """Made and added = dissolved + head space + vented + drawn; made = what the sugars no longer hold."""
    first = SimulatedVessel(plan).filled()
    for _, state in lived(plan, spells):
        there_g = state.dissolved_g + head_space_g(state) + state.vented_g + state.drawn_g
        assert there_g == pytest.approx(state.made_g + state.added_g, abs=1e-6)
        assert min(state.dissolved_g, head_space_g(state), state.vented_g, state.beer_l) >= 0.0
    if all(not controls.drawn_l_per_h for controls, _, _ in spells):
        eaten = first.co2_to_come_g_per_l - state.co2_to_come_g_per_l
        assert state.made_g == pytest.approx(eaten * plan.beer_l, abs=1e-6)


@settings(max_examples=15, deadline=None)
@given(PLANS, SPELLS)
def test_pressure_never_passes_the_relief_valve(
    plan: VesselPlan, spells: list[tuple[Controls, float, bool]]
) -> None:
    """Whatever is done, the relief valve lets nothing above its pressure; nor is there less than a vacuum."""
    for _, state in lived(plan, spells):
        assert -gas.AIR_BAR < state.pressure_bar <= plan.relief_bar + 1e-6


@settings(max_examples=10, deadline=None)
@given(PLANS, SPELLS)
def test_energy_is_conserved(plan: VesselPlan, spells: list[tuple[Controls, float, bool]]) -> None:
    """Heat of the beer = made by the yeast + belt - given to the air, summed over all steps."""
    body = Body()
    stored_kj = 0.0
    for before, after in lived(plan, spells):
        stored_kj += body.capacity_kj_per_k(before.beer_l) * (after.beer_c - before.beer_c)
        balance_kj = after.released_kj + after.belt_kj - after.lost_kj
        assert stored_kj == pytest.approx(balance_kj, abs=1e-6)


def test_beer_cools_with_the_time_of_its_cylinder() -> None:
    """20 L from 20 °C in air of 2 °C are at 5 °C after about 11 h (correlations for a still, painted cylinder)."""
    vessel = SimulatedVessel(VesselPlan(name="x", total_l=23.0, beer_l=20.0, pitched_c=20.0))
    state, hours = vessel.filled(), 0.0
    while state.beer_c > 5.0:
        state, hours = vessel.step(state, Controls(), 2.0, MINUTE_H), hours + MINUTE_H
    assert hours == pytest.approx(11.0, abs=0.8)


def test_instruments_step_and_end() -> None:
    """The converter's step is 2.136 mbar (checks.csv adc_step), the thermometer's 0.0625 K; scales end."""
    from numpy.random import default_rng

    shows, noise = Instruments(), default_rng(3)
    seen = [shows.pressure_bar(1.0, noise) for _ in range(200)]
    steps = [value / 0.0021362 for value in seen]
    assert max(abs(step - round(step)) for step in steps) < 0.01
    assert len(set(seen)) > 2
    assert shows.pressure_bar(99.0, noise) == pytest.approx(7.0, abs=0.0022)
    assert all((shows.temperature_c(20.0, noise) / 0.0625).is_integer() for _ in range(50))


# --- the cellar ----------------------------------------------------------------------------------------------


def test_two_batches_end_when_the_trade_says() -> None:
    """Within the demonstration the ale is done in 5 to 6.5 days, the lager in 8 to 13, and it takes seconds."""
    cellar = Cellar(demo_cellar())
    done: dict[str, float] = {}
    beer: dict[str, list[float]] = {name: [] for name in cellar.vessels}
    entries: list[str] = []
    begun_s = time.process_time()
    while cellar.elapsed_h < 16 * 24:
        entries += [f"{row.vessel} {row.text}" for row in cellar.advance() if row.text]
        for name in cellar.vessels:
            state = cellar.state(name)
            beer[name].append(state.beer_c)
            if state.co2_to_come_g_per_l < 0.4:
                done.setdefault(name, cellar.elapsed_h / 24)
    assert time.process_time() - begun_s < 20.0
    assert 5.0 < done["heron"] < 6.5
    assert 8.0 < done["otter"] < 13.0
    day = 24 * 60
    assert all(19.0 < celsius < 22.0 for celsius in beer["heron"][day : 7 * day])
    assert all(11.0 < celsius < 14.0 for celsius in beer["otter"][: 5 * day])
    assert beer["otter"][7 * day] == pytest.approx(16.0, abs=0.3)
    assert beer["heron"][-1] == pytest.approx(2.0, abs=1.0)
    words = ["pitched", "valve shut", "chill 2", "fined 15", "tapped"]
    assert [e for e in entries if e.startswith("heron")] == [f"heron {word}" for word in words]


def test_the_fridge_switches_on_and_off() -> None:
    """Air swings by its band around the target while the beer barely follows (hundredths of a kelvin)."""
    cellar = Cellar(CellarPlan(vessels=(VesselPlan(name="x", pitched_c=5.0),), fridge_c=5.0, seed=2))
    air, beer = [], []
    for _ in range(48 * 60):
        cellar.advance()
        air.append(cellar.fridge.air_c)
        beer.append(cellar.state("x").beer_c)
    late = slice(24 * 60, None)
    assert 1.5 < max(air[late]) - min(air[late]) < 5.0
    assert max(beer[late]) - min(beer[late]) < 0.3
    starts = sum(a < b for a, b in pairwise(air) if a < 5 < b)
    assert starts > 10


def test_a_thermometer_in_the_air_shows_the_fridge_and_changes_nothing_else() -> None:
    """One vessel of the demonstration has it; without it every other reading stays what it was."""
    plan = demo_cellar()
    cellar, without = (
        Cellar(plan),
        Cellar(replace(plan, vessels=tuple(replace(v, air_probe=False) for v in plan.vessels))),
    )
    for _ in range(300):
        rows = cellar.advance()
        seen = [row for row in rows if row.quantity is Quantity.AIR_TEMPERATURE]
        assert [row.vessel for row in seen] == ["otter"]
        assert seen[0].value == pytest.approx(cellar.fridge.air_c, abs=0.2)
        assert [row for row in rows if row not in seen] == list(without.advance())


def test_the_same_seed_gives_the_same_readings() -> None:
    """A plan is played the same each time, and the noise alone differs with the seed."""
    runs = []
    for seed in (5, 5, 6):
        cellar = Cellar(demo_cellar(seed=seed))
        runs.append([row for _ in range(200) for row in cellar.advance()])
    assert runs[0] == runs[1] != runs[2]


def test_what_the_brewer_does_shows() -> None:
    """Shut: pressure rises; opened: it falls back; vented: none is left; each leaves its entry."""
    plan = VesselPlan(name="x", lag_h=0.0, valve=Valve(opening_bar=0.5))
    cellar = Cellar(CellarPlan(vessels=(plan,), script=(Act(0.0, "x", "pitched"),), fridge_c=18.0))

    def after(hours: float) -> float:
        for _ in range(round(hours * 60)):
            cellar.advance()
        return cellar.state("x").pressure_bar

    assert after(24) == pytest.approx(0.5, abs=0.08)
    entry = cellar.act("x", "valve shut")
    assert entry == (Reading("x", Quantity.JOURNAL, cellar.now_s, 0.0, "valve shut"),)
    assert after(2) > 0.8
    cellar.act("x", "valve opened")
    assert after(2) == pytest.approx(0.5, abs=0.08)
    cellar.act("x", "valve set 1.0")
    assert after(6) == pytest.approx(1.0, abs=0.08)
    cellar.act("x", "vented")
    assert cellar.state("x").pressure_bar == pytest.approx(0.0, abs=1e-6)
    assert cellar.act("x", "smells of bananas")[0].text == "smells of bananas"
    assert cellar.act("x", "belt off", quiet=True) == ()


def test_what_can_not_be_done_is_said() -> None:
    """An unknown vessel and a missing number are refused."""
    cellar = Cellar(demo_cellar())
    with pytest.raises(DataError, match="it has heron, otter"):
        cellar.act("north", "vented")
    with pytest.raises(DataError, match="lacks its number"):
        cellar.act("heron", "valve set high")
    with pytest.raises(DataError):
        Cellar(replace(demo_cellar(), script=(Act(0.0, "north", "pitched"),)))


# --- the source -----------------------------------------------------------------------------------------------


class Collector:
    """Takes deliveries and lets a test wait for something about them."""

    def __init__(self) -> None:
        self.readings: list[Reading] = []
        self.more = threading.Condition()

    def __call__(self, delivery: Delivery) -> None:
        with self.more:
            self.readings.extend(delivery.readings)
            self.more.notify_all()

    def texts(self) -> list[str]:
        return [row.text for row in self.readings if row.text]

    def wait_until(self, told: str, timeout_s: float = 60.0) -> bool:
        with self.more:
            return self.more.wait_for(lambda: told in self.texts(), timeout_s)


def test_the_source_plays_a_day_stamped_with_simulated_time() -> None:
    """A day as fast as it goes: 1440 readings of each quantity and vessel, a minute apart."""
    source = SimulatedSource("play", SimulatedSettings(speed=0, days=1, start_s=START_S), (), SystemClock())
    taken = Collector()
    source.start(taken)
    assert source.wait_finished(30.0)
    source.stop()
    assert not source.alive()
    for name in source.vessels:
        for quantity in (Quantity.TEMPERATURE, Quantity.PRESSURE):
            times = [r.time_s for r in taken.readings if (r.vessel, r.quantity) == (name, quantity)]
            assert times == pytest.approx([START_S + 60 * n for n in range(1, 1441)])
    assert taken.texts() == ["pitched", "pitched"]
    assert source.day() == pytest.approx(1.0)


def test_the_brewer_may_act_from_another_thread() -> None:
    """What is asked for while it runs takes effect at simulated now, with an entry, and shows in the pressure."""
    clock = ManualClock()
    told = SimulatedSettings(speed=36_000, days=10, start_s=START_S, shut_tests=False)
    source = SimulatedSource("play", told, (), clock)
    taken = Collector()
    source.start(taken)

    def play(hours: float) -> None:
        until_h = 24 * source.day() + hours - 1 / 30
        deadline = time.monotonic() + 120
        while 24 * source.day() < until_h and time.monotonic() < deadline:
            clock.advance(0.05)
            time.sleep(0.001)
        assert 24 * source.day() >= until_h

    play(48)
    source.act("otter", "valve shut")
    play(12)
    assert taken.wait_until("valve shut")
    with pytest.raises(DataError):
        source.act("nobody", "valve shut")
    source.stop()
    entry = next(row for row in taken.readings if row.text == "valve shut")
    assert entry.vessel == "otter"
    assert 47 * 3600 < entry.time_s - START_S < 50 * 3600
    later = [
        row.value
        for row in taken.readings
        if (row.vessel, row.quantity) == ("otter", Quantity.PRESSURE) and row.time_s > entry.time_s + 6 * 3600
    ]
    assert later[0] > 1.5
    assert source.truth("otter").pressure_bar == pytest.approx(later[-1], abs=0.05)


def test_simulated_time_stands_while_nobody_takes_the_readings() -> None:
    """A full queue holds the simulation back instead of making it hurry or lose readings."""
    gate = threading.Event()
    blocked = threading.Event()
    seen: list[Reading] = []

    def deliver(delivery: Delivery) -> None:
        seen.extend(delivery.readings)
        blocked.set()
        gate.wait(20.0)

    source = SimulatedSource("play", SimulatedSettings(speed=0, days=0.5, start_s=START_S), (), SystemClock())
    source.start(deliver)
    assert blocked.wait(20.0)
    stood = source.day()
    assert not source.wait_finished(0.1)
    assert source.day() == stood
    gate.set()
    assert source.wait_finished(20.0)
    source.stop()
    assert len([row for row in seen if row.quantity is Quantity.PRESSURE]) == 2 * 720


@pytest.mark.parametrize(
    "keys", [{"speed": -1.0}, {"days": 0.0}, {"interval_s": 0.1}, {"ale": "x", "lager": "x"}, {"ale": ""}]
)
def test_settings_that_can_not_be_right_are_refused(keys: dict[str, object]) -> None:
    """Each limit is named."""
    with pytest.raises(ValueError, match="must"):
        SimulatedSettings(**keys)  # type: ignore[arg-type]
