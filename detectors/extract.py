"""Extract, attenuation and the CO2 that comes of it: Plato, specific gravity and Balling's balance.

Balling: 2.0665 g of extract give 1 g of alcohol, 0.9565 g of CO2 and 0.11 g of yeast. Plato from specific gravity
20/20 by the cubic fitted to the ASBC table. Scalars or arrays of one shape.

Examples
--------
>>> round(plato_from_sg(1.050), 2)
12.39
>>> round(co2_to_come_g_per_l(1.04836, 1.00976), 1)
38.5
"""

from typing import TypeVar

from ullage.detectors.samples import FloatArray

Number = TypeVar("Number", float, FloatArray)

WATER_G_PER_L = 998.2
"""Density of water at 20 °C, g/L."""


def plato_from_sg(gravity: Number) -> Number:
    """Return °P for a specific gravity 20/20 between 0.99 and 1.13 (ASBC cubic)."""
    return -616.868 + 1111.14 * gravity - 630.272 * gravity**2 + 135.997 * gravity**3


def sg_from_plato(plato: Number) -> Number:
    """Return the specific gravity 20/20 for °P: the cubic inverted by Newton from the one-parameter form."""
    gravity = 260.4 / (260.4 - plato)
    for _ in range(4):
        slope = 1111.14 - 2 * 630.272 * gravity + 3 * 135.997 * gravity**2
        gravity = gravity - (plato_from_sg(gravity) - plato) / slope
    return gravity


def real_extract_plato(original_plato: Number, apparent_plato: Number) -> Number:
    """Return real extract in °P: RE = 0.1808·OE + 0.8192·AE (classical, reviewed by Cutaia, Reid & Speers 2009)."""
    return 0.1808 * original_plato + 0.8192 * apparent_plato


def alcohol_by_mass_percent(original_plato: Number, real_plato: Number) -> Number:
    """Return alcohol in g per 100 g of beer: A = (OE − RE)/(2.0665 − 0.010665·OE), Balling after Hall 1995."""
    return (original_plato - real_plato) / (2.0665 - 0.010665 * original_plato)


def co2_made_g_per_l(original_plato: Number, apparent_plato: Number) -> Number:
    """Return g of CO2 per L of wort made on the way from original to apparent extract, by Balling's balance.

    100 g of beer come from 100 + 1.0665·A g of wort (the great Balling formula): the beer has lost its gas and yeast.
    """
    alcohol = alcohol_by_mass_percent(original_plato, real_extract_plato(original_plato, apparent_plato))
    gas_percent_of_wort = 0.9565 * alcohol * 100.0 / (100.0 + 1.0665 * alcohol)
    return gas_percent_of_wort / 100.0 * sg_from_plato(original_plato) * WATER_G_PER_L


def co2_to_come_g_per_l(
    original_gravity: Number, final_gravity: Number, gravity_now: Number | None = None
) -> Number:
    """Return g of CO2 per L still to come before `final_gravity`; from pitching if `gravity_now` is left out."""
    original = plato_from_sg(original_gravity)
    whole = co2_made_g_per_l(original, plato_from_sg(final_gravity))
    if gravity_now is None:
        return whole
    return whole - co2_made_g_per_l(original, plato_from_sg(gravity_now))
