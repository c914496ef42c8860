"""CO2 in beer: the formula against check values, the printed chart, and pure water as its upper neighbour.

How far the formula may be from each is stated in the docstring of `ullage.detectors.co2`, measured beforehand: within
3.3 % of the printed cells, midway between that chart's beer and water.
"""

import math
import warnings
from typing import Any

import numpy as np
import pytest
from iapws._iapws import _Henry  # type: ignore[import-untyped]

from tests.reference.checks import Check, checks, each, the
from tests.reference.properties import property_si
from ullage.detectors.co2 import (
    CO2_G_PER_MOL,
    dissolved_g_per_l,
    gauge_for_carbonation_bar,
    solubility_g_per_l_bar,
    solubility_slope_per_k,
    volumes_from_g_per_l,
)
from ullage.detectors.volumes import G_PER_VOLUME

PSI_BAR = 0.0689475729
WATER_MOL_PER_KG = 1000 / 18.01528
CHART = 0.033
"""Largest relative distance between formula and printed cells, as the module states it."""
G_PER_VOLUME_IN_TABLES = 1.96


def celsius(fahrenheit: float) -> float:
    """Return °C."""
    return (fahrenheit - 32) / 1.8


# -- the formula itself ---------------------------------------------------------------------------------------------


@each("beer_co2_formula_A")
def test_formula_at_its_check_points(check: Check) -> None:
    """Values as circulated with the formula, with its air pressure of 1.013 bar (common practice)."""
    value = dissolved_g_per_l(check.inputs["p_bar_gauge"], check.inputs["t_C"], 1.013)
    check.compare(float(value))


@each("beer_co2_formula_A")
def test_pressure_for_a_carbonation_leads_back(check: Check) -> None:
    """The way back from the check value's g/L gives its pressure, to the digits that the value has."""
    pressure = gauge_for_carbonation_bar(check.expected, check.inputs["t_C"], 1.013)
    assert float(pressure) == pytest.approx(check.inputs["p_bar_gauge"], abs=0.006)


def test_trade_check_points() -> None:
    """About 6.4 g/L at 1.1 bar and 1 °C; serving beers lie between 3 and 8 g/L (common practice)."""
    assert dissolved_g_per_l(1.1, 1.0) == pytest.approx(6.4, abs=0.1)
    assert gauge_for_carbonation_bar(5.0, 18.0) - gauge_for_carbonation_bar(5.0, 2.0) > 0.4
    assert 3 < dissolved_g_per_l(0.2, 5.0) < dissolved_g_per_l(1.4, 2.0) < 8


@each("lager_henry_constant")
def test_a_measured_lager(check: Check) -> None:
    """A five per cent lager holds about what the formula says (approximate value in its source)."""
    check.compare(float(solubility_g_per_l_bar(check.inputs["t_C"])))


def test_slope_of_solubility() -> None:
    """3.1 % a kelvin at 18 °C and 3.5 % at 2 °C (common practice), and the derivative of the formula."""
    for degrees, percent in ((18.0, -3.1), (2.0, -3.5)):
        slope = solubility_slope_per_k(degrees)
        assert 100 * slope == pytest.approx(percent, abs=0.06)
        ratio = solubility_g_per_l_bar(degrees + 1e-4) / solubility_g_per_l_bar(degrees - 1e-4)
        assert slope == pytest.approx(math.log(ratio) / 2e-4, rel=1e-6)


@each("isa_pressure")
def test_air_pressure_counts(check: Check) -> None:
    """At 500 m (ISO 2533) 1.013 bar of air would overstate a beer at 2 °C by 0.17 g/L."""
    there = dissolved_g_per_l(1.0, 2.0, check.expected / 1000)
    assert dissolved_g_per_l(1.0, 2.0, 1.013) - there == pytest.approx(0.17, abs=0.01)


# -- the printed chart and its fits ---------------------------------------------------------------------------------


@each("asbc_chart_volumes")
def test_printed_chart(check: Check) -> None:
    """Within 3.3 % of each printed cell, and above it: the chart's beer holds less than the formula says."""
    value = volumes_from_g_per_l(
        float(dissolved_g_per_l(check.inputs["p_psi_gauge"] * PSI_BAR, celsius(check.inputs["t_F"])))
    )
    check.compare(float(value), relative=CHART)
    assert value > 0.99 * check.expected


@each("asbc_chart_cell_in_g_per_L")
def test_printed_cell_in_grams(check: Check) -> None:
    """The same in g/L at 1.96 g a volume."""
    value = dissolved_g_per_l(check.inputs["p_psi_gauge"] * PSI_BAR, celsius(check.inputs["t_F"]))
    check.compare(float(value), relative=CHART)


@each("exponential_fit_volumes")
def test_exponential_fit(check: Check) -> None:
    """The published fit of that chart, within the same 3.3 %."""
    value = dissolved_g_per_l(check.inputs["p_psi_gauge"] * PSI_BAR, celsius(check.inputs["t_F"]))
    check.compare(float(volumes_from_g_per_l(value)), relative=CHART)


@each("polynomial_fit_pressure")
def test_polynomial_fit(check: Check) -> None:
    """The published polynomial for pressure, within 3.3 % of the absolute pressure."""
    grams = check.inputs["volumes"] * G_PER_VOLUME_IN_TABLES
    absolute = float(gauge_for_carbonation_bar(grams, celsius(check.inputs["t_F"]))) + 1.01325
    assert absolute == pytest.approx(check.expected * PSI_BAR + 1.01325, rel=CHART)


@each("volumes_to_g_per_L")
def test_volumes(check: Check) -> None:
    """A volume is an ideal gas at 0 °C and 1 atm."""
    check.compare(check.inputs["volumes"] * G_PER_VOLUME)
    assert volumes_from_g_per_l(check.expected) == pytest.approx(check.inputs["volumes"], abs=0.006)


# -- water ------------------------------------------------------------------------------------------------------------


def henry_iapws_mpa(kelvin: float) -> float:
    """Return Henry's constant of CO2 in water, MPa a mole fraction, by a library that carries the guideline."""
    with warnings.catch_warnings():
        warnings.filterwarnings(
            "ignore", "Temperature out of data", UserWarning
        )  # 0 °C: a kelvin below its data
        return float(_Henry(kelvin, "CO2"))


def henry_carroll_mpa(kelvin: float) -> float:
    """Return the same by the correlation of Carroll, Slupsky & Mather 1991."""
    return math.exp(-6.8346 + 1.2817e4 / kelvin - 3.7668e6 / kelvin**2 + 2.997e8 / kelvin**3)


def weiss_mol_per_kg_atm(kelvin: float) -> float:
    """Return the solubility of CO2 in fresh water by Weiss 1974."""
    return math.exp(-60.2409 + 93.4517 * (100 / kelvin) + 23.3585 * math.log(kelvin / 100))


def fugacity_bar(kelvin: float, total_bar: float) -> float:
    """Return the fugacity of CO2 above water: less the water's own vapour, by the second virial coefficient."""
    gas_bar = total_bar - property_si("P", "T", kelvin, "Q", 0, "Water") / 1e5
    virial_l_per_mol = property_si("BVIRIAL", "T", kelvin, "P", 1e5, "CO2") * 1000
    return float(gas_bar * math.exp(virial_l_per_mol * total_bar / (0.0831446 * kelvin)))


def in_water_g_per_l(mol_per_mol: float) -> float:
    """Return g/L for a small mole fraction; a litre of water is taken as a kilogram."""
    return mol_per_mol / (1 - mol_per_mol) * WATER_MOL_PER_KG * CO2_G_PER_MOL


@each("iapws_g704_ln_henry_co2_in_GPa")
def test_the_library_reproduces_the_guideline(check: Check) -> None:
    """Computer-check values of IAPWS G7-04, so that what follows compares with the guideline."""
    check.compare(math.log(henry_iapws_mpa(check.inputs["T_K"]) / 1000))


@each("carroll1991_henry_mole_fraction")
def test_the_correlation_of_carroll(check: Check) -> None:
    """Its values as tabulated, so that what follows compares with it."""
    check.compare(henry_carroll_mpa(check.inputs["t_C"] + 273.15))


@each("weiss1974_K0_fresh_water_x100")
def test_the_equation_of_weiss(check: Check) -> None:
    """Table III, so that what follows compares with it."""
    check.compare(100 * weiss_mol_per_kg_atm(check.inputs["t_C"] + 273.15))


@pytest.mark.parametrize(
    ("degrees", "by_iapws", "by_carroll", "by_weiss", "by_sander"),
    [
        (0.0, 1.007, 1.031, 1.054, 0.961),
        (5.0, 1.000, 1.026, 1.033, 0.974),
        (10.0, 0.997, 1.024, 1.021, 0.986),
        (20.0, 1.007, 1.032, 1.015, 1.006),
    ],
)
def test_water_holds_as_much_or_a_little_more(
    degrees: float, by_iapws: float, by_carroll: float, by_weiss: float, by_sander: float
) -> None:
    """Ratios of water to the formula at 1 bar gauge, by four sources; they agree to some 3 % among themselves."""
    kelvin, total = degrees + 273.15, 2.013
    beer = float(dissolved_g_per_l(1.0, degrees, 1.013))
    fugacity = fugacity_bar(kelvin, total)
    iapws_ratio = in_water_g_per_l(fugacity / 10 / henry_iapws_mpa(kelvin)) / beer
    carroll_ratio = in_water_g_per_l(fugacity / 10 / henry_carroll_mpa(kelvin)) / beer
    weiss_ratio = weiss_mol_per_kg_atm(kelvin) * fugacity / 1.01325 * CO2_G_PER_MOL / beer
    slope = the("sander_henry_co2_dlnH_d_invT").expected
    henry = 3.3e-4 * math.exp(
        slope * (1 / kelvin - 1 / 298.15)
    )  # mol/(m3 Pa), lower end of the compiled rows
    sander_ratio = henry * total * 1e5 / 1000 * CO2_G_PER_MOL / beer
    assert iapws_ratio == pytest.approx(by_iapws, abs=0.004)
    assert carroll_ratio == pytest.approx(by_carroll, abs=0.004)
    assert weiss_ratio == pytest.approx(by_weiss, abs=0.006)
    assert sander_ratio == pytest.approx(by_sander, abs=0.012)


@each("sander_henry_co2_298", "sander_henry_co2_dlnH_d_invT")
def test_temperature_law_of_the_compilation(check: Check) -> None:
    """Beer at 25 °C lies within 7 % of the compiled Henry constant of water, and falls off as steeply with 1/T."""
    if check.quantity == "sander_henry_co2_298":
        beer = float(solubility_g_per_l_bar(25.0)) / CO2_G_PER_MOL * 1000 / 1e5  # mol/(m3 Pa)
        check.compare(beer, relative=0.07)
    else:
        steep = -solubility_slope_per_k(25.0) * check.inputs["T_K"] ** 2
        check.compare(float(steep), relative=0.1)


@each("co2_mole_fraction_in_water_1atm")
def test_mole_fraction_at_one_atmosphere(check: Check) -> None:
    """Water at 25 °C holds what the solubility database says; beer by the formula no more than 7 % less."""
    inputs: dict[str, Any] = check.inputs
    kelvin = inputs["t_C"] + 273.15
    check.compare(fugacity_bar(kelvin, inputs["p_atm"] * 1.01325) / 10 / henry_carroll_mpa(kelvin))
    beer = float(dissolved_g_per_l(0.0, inputs["t_C"])) / CO2_G_PER_MOL / WATER_MOL_PER_KG
    assert 0.93 * check.expected < beer < 1.01 * check.expected


def test_scalars_and_arrays_agree() -> None:
    """An array gives what its numbers give one by one."""
    degrees, bar = np.linspace(-1, 30, 7), np.linspace(0, 3, 7)
    one_by_one = [float(dissolved_g_per_l(float(p), float(t))) for p, t in zip(bar, degrees, strict=True)]
    assert dissolved_g_per_l(bar, degrees) == pytest.approx(np.array(one_by_one), rel=1e-14)
    assert len(checks("beer_co2_formula_A")) == 6
