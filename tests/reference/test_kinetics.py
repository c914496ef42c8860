"""How fast worts ferment at the most plausible pace, against the published growth model that it was taken from."""

import itertools
import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tests.reference.checks import Check, each
from ullage.detectors.usual_time import NINETY_PERCENT_H, pace_per_h

CONSTANTS = {  # ln A and E in kcal/mol
    "mu_g": (35.77, 22.6), "mu_m": (16.40, 11.3), "mu_n": (10.59, 7.16),
    "k_g": (-121.3, -68.6), "k_m": (-19.15, -14.4), "k_n": (-26.78, -19.9),
    "i_g": (23.33, 10.2), "i_m": (55.61, 26.3),
}  # fmt: skip
"""Temperature form of Engasser's model by Gee & Ramirez (Biotechnol. Bioeng. 31:224, 1988), as transcribed."""
START = np.array([70.0, 220.0, 40.0, 125.0])
"""Glucose, maltose, maltotriose and yeast, mol/m³."""
GAS_MOL_PER_MOL = np.array([1.97, 3.94, 5.91])


def constant(name: str, celsius: float) -> float:
    """Return one of the model's constants at a temperature."""
    ln_a, energy = CONSTANTS[name]
    return math.exp(ln_a - energy / (1.987e-3 * (celsius + 273.15)))


def hours_to_ninety_percent(celsius: float) -> float:
    """Return the hours in which the model has made nine tenths of its CO2."""
    k = {name: constant(name, celsius) for name in CONSTANTS}

    def change(_: float, state: np.ndarray) -> np.ndarray:
        glucose, maltose, triose, yeast = np.maximum(state, 0.0)
        by_glucose = k["i_g"] / (k["i_g"] + glucose)
        by_maltose = k["i_m"] / (k["i_m"] + maltose)
        u = np.array(
            [
                k["mu_g"] * glucose / (k["k_g"] + glucose),
                k["mu_m"] * maltose / (k["k_m"] + maltose) * by_glucose,
                k["mu_n"] * triose / (k["k_n"] + triose) * by_glucose * by_maltose,
            ]
        )
        growth = float(u @ np.array([0.134, 0.268, 0.402])) * 3.65e5 / (3.65e5 + (yeast - START[3]) ** 2)
        return np.append(-u * yeast, growth * yeast)

    hours = np.linspace(0, 900, 9001)
    solved = solve_ivp(change, (0, 900), START, t_eval=hours, method="LSODA", rtol=1e-7, atol=1e-6)
    made = GAS_MOL_PER_MOL @ (START[:3, None] - solved.y[:3])
    return float(hours[int(np.argmax(made >= 0.9 * GAS_MOL_PER_MOL @ START[:3]))])


@each("gee_ramirez_mu_maltose")
def test_a_constant_of_the_model(check: Check) -> None:
    """One of the constants at 12 °C, as published."""
    check.compare(constant("mu_m", check.inputs["t_C"]))


@each("gee_ramirez_total_co2")
def test_gas_of_the_model(check: Check) -> None:
    """All three sugars fermented give the total of the model's yields."""
    check.compare(float(GAS_MOL_PER_MOL @ START[:3]) * 44.0095 / 1000)


@pytest.mark.parametrize(("celsius", "hours"), [row for row in NINETY_PERCENT_H if row[0] <= 20])
def test_hours_until_ninety_percent(celsius: float, hours: float) -> None:
    """The table of hours is the model's own integral, within 2 %; above 16 °C it is an extrapolation, and says so."""
    assert hours_to_ninety_percent(celsius) == pytest.approx(hours, rel=0.02)


def test_pace_between_the_rows() -> None:
    """Between rows the pace rises smoothly with temperature, some fourfold from 10.5 to 20 °C."""
    paces = [pace_per_h(celsius) for celsius in np.arange(8.0, 25.1, 0.5).tolist()]
    assert all(a < b for a, b in itertools.pairwise(paces))
    assert pace_per_h(20.0) / pace_per_h(10.5) == pytest.approx(4.0, abs=0.3)
