"""CO2 in a closed vessel: what the beer holds, what the head space holds, and what pressure follows from it.

Solubility follows the two-parameter formula used with manometric CO2 measurement (principle: MEBAK, dissolved CO2,
manometric methods; coefficients as circulated in the German-language brewing literature, common practice)::

    c [g/L] = 10 · p_co2 [bar absolute] · exp(−10.73797 + 2617.25 / T [K])

It lies within 3.3 % of 22 printed cells of the ASBC-type carbonation chart and midway between that chart's beer and
pure water (Carroll et al. 1991, +3 %). Valid from −1 to 30 °C and up to about 3 bar gauge; take ±5 % of the value as
its honest uncertainty. No published correction for extract and alcohol was found that improves on that: the chart's
own beer is unknown, and a 5 % beer at 6 °C is reported with about 2.4 g/(L·bar) against 2.56 here (Liger-Belair &
Cilindre 2021).

The head space is an ideal gas: below 2 bar gauge the error is 1 to 2 % (Span & Wagner 1996), less than that of the
solubility. All functions take scalars or arrays of one shape and return the same shape.

Examples
--------
>>> round(float(dissolved_g_per_l(1.0, 2.0)), 2)
5.91
>>> round(float(gauge_for_carbonation_bar(5.0, 4.0)), 2)
0.81
"""

from typing import TypeVar

import numpy as np

from ullage.detectors.samples import FloatArray
from ullage.detectors.vessel import STANDARD_AIR_BAR, Vessel
from ullage.detectors.volumes import G_PER_VOLUME

Number = TypeVar("Number", float, FloatArray)

CO2_G_PER_MOL = 44.0095
GAS_CONSTANT_L_BAR = 0.0831446261815324
"""R in L·bar/(mol·K), CODATA 2018."""
KELVIN = 273.15
LN_SLOPE_K = 2617.25
LN_INTERCEPT = -10.73797
COOLING_BAR_PER_K = 0.065
"""Most that a kelvin of cooling can take off a shut vessel near 1 bar gauge (full solubility equilibrium)."""


def solubility_g_per_l_bar(temperature_c: Number) -> Number:
    """Return grams of CO2 that a litre of beer holds per bar (absolute) of CO2 above it, at equilibrium."""
    held: Number = 10.0 * np.exp(LN_INTERCEPT + LN_SLOPE_K / (temperature_c + KELVIN))
    return held


def solubility_slope_per_k(temperature_c: Number) -> Number:
    """Return d ln(solubility)/dT in 1/K; negative: warm beer holds less."""
    return -LN_SLOPE_K / (temperature_c + KELVIN) ** 2


def gas_g_per_l_bar(temperature_c: Number) -> Number:
    """Return grams of CO2 in a litre of head space per bar (absolute), ideal gas."""
    return CO2_G_PER_MOL / (GAS_CONSTANT_L_BAR * (temperature_c + KELVIN))


def dissolved_g_per_l(
    pressure_bar: Number, temperature_c: Number, air_pressure_bar: float = STANDARD_AIR_BAR
) -> Number:
    """Return the carbonation in g/L of beer at equilibrium with pure CO2 at `pressure_bar` gauge."""
    return solubility_g_per_l_bar(temperature_c) * (pressure_bar + air_pressure_bar)


def gauge_for_carbonation_bar(
    carbonation_g_per_l: Number, temperature_c: Number, air_pressure_bar: float = STANDARD_AIR_BAR
) -> Number:
    """Return the gauge pressure that holds `carbonation_g_per_l` at `temperature_c`."""
    return carbonation_g_per_l / solubility_g_per_l_bar(temperature_c) - air_pressure_bar


def volumes_from_g_per_l(carbonation_g_per_l: Number) -> Number:
    """Return volumes of CO2 (L of gas at 0 °C and 1 atm per L of beer)."""
    return carbonation_g_per_l / G_PER_VOLUME


def capacity_g_per_l_bar(vessel: Vessel, temperature_c: Number) -> Number:
    """Return grams of CO2 per litre of beer that raise a shut vessel by one bar, beer and head space in balance."""
    ratio = vessel.head_space_l / vessel.beer_volume_l
    return solubility_g_per_l_bar(temperature_c) + ratio * gas_g_per_l_bar(temperature_c)


def total_co2_g(
    vessel: Vessel, pressure_bar: Number, temperature_c: Number, residual_air_bar: float = 0.0
) -> Number:
    """Return all CO2 in a vessel at equilibrium, in g: dissolved and in the head space.

    `residual_air_bar` is the partial pressure of air that was never purged: it presses on the gauge but is no CO2, so
    an early reading looks like more gas than there is.
    """
    partial_bar = pressure_bar + vessel.air_pressure_bar - residual_air_bar
    return capacity_g_per_l_bar(vessel, temperature_c) * vessel.beer_volume_l * partial_bar


def shut_pressure_after_bar(
    vessel: Vessel, pressure_bar: Number, temperature_c: Number, new_temperature_c: Number
) -> Number:
    """Return the gauge pressure of a shut vessel once beer and gas have settled at another temperature.

    Mass balance of pure CO2; it takes hours to days to get there (a quiet surface passes gas slowly).
    """
    before = capacity_g_per_l_bar(vessel, temperature_c)
    after = capacity_g_per_l_bar(vessel, new_temperature_c)
    return (pressure_bar + vessel.air_pressure_bar) * before / after - vessel.air_pressure_bar
