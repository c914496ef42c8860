"""The generator's physics against published values, its bookkeeping against itself."""

import ast
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.verdicts.draws import Draws
from tests.verdicts.gas import SOLUBILITY, GasState, GasWorld, Valve, at_rest, make_drive, run_gas
from tests.verdicts.generator import make_batch, simulate
from tests.verdicts.kinetics import begin, gravity_at, total_co2
from tests.verdicts.recipe import draw_yeast
from tests.verdicts.score import over_moments
from tests.verdicts.scripts import KINDS
from tests.verdicts.trigger import FloatArray

WORLD = GasWorld(
    beer_l=20,
    head_l=3,
    solubility="beer",
    beer_factor=1.0,
    compressibility=0.985,
    release_per_h=math.inf,
    uptake_per_h=math.inf,
    excess_g_per_l=1.0,
    air_part=0.0,
    head_in_air=0.0,
)
SEALED = Valve(
    style="none",
    opening_bar=9.0,
    hysteresis_bar=0.0,
    excess_bar=0.05,
    relief_bar=20.0,
    drift_bar_per_week=0.0,
    creep_bar=0.0,
)
DT_H = 1 / 60
KINDS_AND_SEEDS = st.tuples(st.sampled_from(sorted(KINDS)), st.integers(0, 999))


def press(world: GasWorld, made_g_per_l: FloatArray, beer_c: FloatArray, valve: Valve = SEALED) -> FloatArray:
    """Return the gauge pressure of a vessel that starts at rest at 1.2 bar gauge."""
    n = len(made_g_per_l)
    drive = make_drive(
        world,
        made_g_per_l=made_g_per_l,
        beer_c=beer_c,
        head_c=beer_c,
        ambient_bar=np.full(n, 1.013),
        opening_bar=np.full(n, valve.opening_bar),
        leak_per_h=np.zeros(n),
        dt_h=DT_H,
    )
    rest = at_rest(world, drive, 0)
    state = GasState(
        dissolved_g=rest.dissolved_g * 2.213 / 1.013, gas_g=rest.gas_g * 2.213 / 1.013, air=rest.air
    )
    run_gas(state, drive, valve, 0, n, dt_h=DT_H)
    return np.array(state.pressure)


@pytest.mark.parametrize(
    ("name", "celsius", "ratio"),
    [
        # Ratio to the two-parameter beer formula at 1 bar gauge, table of the project's physics reference.
        ("carroll", 10, 1.024),
        ("carroll", 20, 1.032),
        ("iapws", 5, 1.000),
        ("iapws", 20, 1.007),
        ("weiss", 5, 1.033),
        ("weiss", 20, 1.015),
    ],
)
def test_solubilities_stand_to_each_other_as_published(name: str, celsius: float, ratio: float) -> None:
    """The table corrects for vapour pressure and fugacity, which this generator leaves out: 3 % of room."""
    kelvin = np.array([celsius + 273.15])
    found = float(SOLUBILITY[name](kelvin)[0] / SOLUBILITY["beer"](kelvin)[0])
    assert found == pytest.approx(ratio, rel=0.03)


def test_iapws_relation_gives_the_guidelines_check_value() -> None:
    """IAPWS G7-04, computer check: ln(kH/GPa) of CO2 at 300 K is -1.7508."""
    c = float(SOLUBILITY["iapws"](np.array([300.0]))[0])
    k_h_gpa = 1e-4 * 44.0095 * 999.0 / 18.01528 / c
    assert math.log(k_h_gpa) == pytest.approx(-1.7508, abs=0.01)


def test_rate_of_one_hundredth_of_a_gram_raises_a_sealed_keg_by_five_millibar_an_hour() -> None:
    """20 L of beer and 3 L of gas at 18 °C: 40.4 g/bar, so 0.01 g/(L h) is 5 mbar/h (physics reference, section 3)."""
    n = 600
    bar = press(WORLD, np.arange(n, dtype=np.float64) * DT_H * 0.01, np.full(n, 18.0))
    assert (bar[-1] - bar[0]) / ((n - 1) * DT_H) == pytest.approx(0.00495, rel=0.03)


@pytest.mark.parametrize(("rate_per_h", "slope_bar_per_k"), [(math.inf, 0.060), (0.0, 0.0076)])
def test_pressure_follows_temperature_at_both_published_slopes(
    rate_per_h: float, slope_bar_per_k: float
) -> None:
    """Full equilibrium +60 mbar/K at 18 °C and 1.2 bar gauge, gas alone +7.6 (physics reference, section 5)."""
    world = replace(WORLD, release_per_h=rate_per_h, uptake_per_h=rate_per_h)
    bar = press(world, np.zeros(100), np.linspace(17.5, 18.5, 100))
    assert bar[-1] - bar[0] == pytest.approx(slope_bar_per_k, rel=0.05)


def test_smooth_valve_stands_above_reseat_by_flow_over_coefficient() -> None:
    """At a steady flow what goes in goes out, so the excess is flow divided by coefficient."""
    valve = replace(SEALED, style="smooth", opening_bar=1.25, hysteresis_bar=0.05, flow_g_per_h_bar=200.0)
    n = 3000
    bar = press(WORLD, np.arange(n, dtype=np.float64) * DT_H * 0.5, np.full(n, 18.0), valve)
    assert bar[-1] == pytest.approx(1.20 + 10 / 200, abs=0.001)


def test_cycling_valve_moves_between_reseat_and_opening() -> None:
    """Teeth rise to the opening pressure and fall by the blow-down."""
    valve = replace(SEALED, style="pop", opening_bar=1.4, hysteresis_bar=0.2)
    bar = press(WORLD, np.arange(6000, dtype=np.float64) * DT_H * 0.5, np.full(6000, 18.0), valve)[2000:]
    assert bar.max() == pytest.approx(1.4, abs=0.01)
    assert bar.min() == pytest.approx(1.2, abs=0.01)


@pytest.mark.parametrize(("celsius", "peak", "ninety_h"), [(12.0, 0.41, 299), (20.0, 1.25, 94)])
def test_sugar_model_gives_the_worked_example(celsius: float, peak: float, ninety_h: float) -> None:
    """Engasser with Gee-Ramirez constants, G 70, M 220, N 40, X 125: table of the physics reference, section 4."""
    plain, _ = draw_yeast(Draws("test", 0), "ale", 5.0, 18.0)
    yeast = replace(
        plain,
        family="sugars",
        total_g_per_l=54.6,
        lag_h=-1000.0,
        lag_width_h=1.0,
        sugar_speed=1.0,
        glucose_share=70 / 630,
        triose_share=120 / 630,
        stop_c=0.0,
    )
    ferment = begin(yeast)
    steps = np.array([ferment.step(0.1, i * 0.1, celsius, 1.0) for i in range(int(ninety_h * 20))])
    made = np.cumsum(steps)
    assert steps.max() / 0.1 == pytest.approx(peak, rel=0.03)
    assert np.argmax(made > 0.9 * 54.6) * 0.1 == pytest.approx(ninety_h, rel=0.03)


def test_wort_of_twelve_plato_makes_thirty_eight_grams() -> None:
    """12 °P (SG 1.04836) to 2.5 °P apparent: 38.5 g CO2 per L (Balling; worked example of the physics reference)."""
    total = total_co2(1.04836, 9.5 / 12)
    assert total == pytest.approx(38.5, rel=0.03)
    assert gravity_at(1.04836, total) == pytest.approx(1.0098, abs=0.0008)


@given(KINDS_AND_SEEDS)
@settings(max_examples=25, deadline=None)
def test_all_gas_is_accounted_for(which: tuple[str, int]) -> None:
    """CO2 made and there from the start is dissolved, in the head space, vented or leaked; none of them negative."""
    run = simulate(*which)
    s = run.state
    made = float(run.made_g_per_l[-1] - run.made_g_per_l[0]) * run.recipe.gas.beer_l
    now = s.dissolved_g + s.gas_g + s.vented_g + s.leaked_g
    assert now == pytest.approx(made + run.start_g, rel=1e-9, abs=1e-6)
    assert min(s.dissolved_g, s.gas_g, s.vented_g, s.leaked_g) >= 0


@given(KINDS_AND_SEEDS)
@settings(max_examples=15, deadline=None)
def test_a_batch_depends_on_kind_and_seed_alone(which: tuple[str, int]) -> None:
    """The same kind and seed give the same batch; the next seed another."""
    one, two, other = make_batch(*which), make_batch(*which), make_batch(which[0], which[1] + 1)
    assert np.array_equal(one.time_s, two.time_s)
    assert np.array_equal(one.value, two.value)
    assert (one.entries, one.vessel) == (two.entries, two.vessel)
    assert one.vessel != other.vessel


@given(KINDS_AND_SEEDS)
@settings(max_examples=25, deadline=None)
def test_truth_is_in_order_and_what_is_made_only_grows(which: tuple[str, int]) -> None:
    """Activity before nine tenths before the end of long tails; to come falls from all to little; times rise."""
    batch = make_batch(*which)
    t = batch.truth
    assert (np.diff(batch.time_s) >= 0).all()
    assert (np.diff(t.made_g_per_l) >= -1e-9).all()
    assert t.activity_s <= t.ninety_s
    if t.end_s < math.inf:
        assert t.co2_to_come(t.end_s) == pytest.approx(0.4, abs=0.1)
        assert t.co2_to_come(t.end_s - 24 * 3600) > 0.4
    if t.leak_visible_s < math.inf:
        assert t.leak_visible_s > t.leak_start_s


@pytest.mark.parametrize("kind", ["smooth_nobody", "cycling", "gap", "coarse_sensor", "chill_after_end"])
def test_spikes_never_look_like_two_readings_above_the_limit(kind: str) -> None:
    """In sound batches no two running readings pass the rated limit, spikes or not."""
    batches = [make_batch(kind, seed) for seed in range(4)]
    assert not any(over_moments(b) for b in batches)


def test_stuck_valve_passes_the_limit_for_real() -> None:
    """Pressure goes above the rated limit and the relief valve keeps it within 15 % of it."""
    for seed in range(6):
        batch = make_batch("stuck_valve", seed)
        peak, rated = batch.truth.pressure_bar.max(), batch.vessel.rated_pressure_bar
        assert rated < peak < 1.16 * rated
        assert over_moments(batch)


def test_supersaturated_beer_reaches_the_measured_excess() -> None:
    """Up to 1.67 times saturation while fermenting (Delente and Gurley 1968), and some excess left at the end."""
    for seed in range(6):
        run = simulate("supersaturated", seed)
        co2_bar = np.array(run.state.pressure) + run.drive.ambient_bar
        ratio = np.array(run.state.dissolved) / (run.drive.beer_g_per_bar * co2_bar)
        late = ratio[run.made_g_per_l > 0.5 * run.course.total_g_per_l]
        assert 1.1 < late.max() < 1.75


def test_early_tests_raise_the_pressure_as_the_rate_says() -> None:
    """A valve wound shut while the beer works sends the pressure up."""
    for seed in range(6):
        batch = make_batch("smooth_test", seed)
        for test in batch.truth.early_tests:
            assert batch.truth.pressure(test.to_s - 300) > batch.truth.pressure(test.from_s - 300) + 0.003


def test_generator_knows_neither_detectors_nor_the_simulated_vessel() -> None:
    """Of the project it imports only the types in which batches are handed over."""
    types = {
        "ullage.detectors.finding",
        "ullage.detectors.samples",
        "ullage.detectors.vessel",
    }
    judged = {"judges.py", "show.py", "__main__.py"}
    for path in Path(__file__).parent.glob("*.py"):
        if path.name in judged or path.name.startswith("test_"):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("ullage"):
                assert node.module in types, path.name
