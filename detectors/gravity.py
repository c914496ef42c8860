"""Gravity samples: from what hydrometer and refractometer show to attenuation, alcohol and CO2 still to come.

Gravity is specific gravity 20/20 throughout; `extract` has °P and SG both ways and Balling's balance.

Hydrometer at another temperature
    A hydrometer compares with water, so a reading is multiplied by the density of water at its own temperature over
    that at the sample's (Kell 1975). That assumes the sample to expand as water does: for wort of 10 °P within 10 K it
    comes within 0.0001 of the published table for saccharometers.
Refractometer in fermenting beer
    Alcohol bends light too. The linear formula that is commonly given under the name of P. Novotný (2017)::

        SG = 1 − 0.002349 · original + 0.006276 · now        both in °Brix over the wort correction

    Taken as it is handed on: the publication was not read, and no worked example of it was found. That the relation is
    linear from the first day to the last is published (Šavel, Košin, Brož & Sigler, Kvasny Prum. 55:94, 2009, abstract: up
    to 16 % of sucrose and 8 % of ethanol), and the coefficients are held against three things of another origin: a
    derivation from Balling's balance (SG = 1.0013 − 0.0025 · original + 0.00628 · now; 0.0015 apart at most), the relation
    measured for 11.5 °P in Kvasny Prum. 17:53 (1971), and Balling's balance with refractive indices of sucrose and
    ethanol (0.002 at most). Take it as good to 0.002: enough to follow a fermentation, not to tell its last point. Range:
    wort of 8 to 18 °P.
Alcohol by volume
    A % w/w · SG / 0.79066: ethanol of 789.24 g/L over water of 998.20 g/L at 20 °C (OIML R 22).

Examples
--------
>>> round(refractometer_gravity(12.5, 6.5), 4)
1.011
>>> beer = attenuation(1.04836, 1.00976)
>>> round(beer.apparent_percent, 1), round(beer.alcohol_mass_percent, 2), round(beer.alcohol_volume_percent, 1)
(79.2, 4.01, 5.1)
"""

import math
from dataclasses import dataclass
from enum import StrEnum

from ullage.detectors.extract import (
    alcohol_by_mass_percent,
    co2_to_come_g_per_l,
    plato_from_sg,
    real_extract_plato,
    sg_from_plato,
)
from ullage.detectors.water import water_g_per_l

WORT_CORRECTION = 1.04
"""°Brix that a refractometer shows per °P of wort, as wort is not sucrose (common practice; own to each instrument)."""
ETHANOL_20 = 789.24 / 998.20
"""Ethanol over water at 20 °C (OIML R 22)."""
BEER_ATTENUATION_PERCENT = 78.0
"""Apparent attenuation assumed for beer whose final gravity nobody stated (common practice: 70 to 85 %)."""
GRAVITIES = (0.985, 1.2)
BRIX = (0.0, 40.0)
SAMPLE_C = (0.0, 60.0)


class Instrument(StrEnum):
    """What a sample was measured with."""

    HYDROMETER = "hydrometer"
    REFRACTOMETER = "refractometer"
    FLOAT = "float"


def hydrometer_gravity(shown: float, temperature_c: float | None = None, calibrated_c: float = 20.0) -> float:
    """Return the gravity of a sample that a hydrometer shows as `shown` at `temperature_c`.

    Without a temperature the reading is taken as it stands.

    Raises
    ------
    ValueError
        If the reading lies outside 0.985 to 1.200 or a temperature outside 0 to 60 °C.
    """
    _check("gravity", shown, GRAVITIES, "SG")
    if temperature_c is None:
        return shown
    _check("temperature_c", temperature_c, SAMPLE_C, "°C")
    _check("calibrated_c", calibrated_c, SAMPLE_C, "°C")
    return shown * water_g_per_l(calibrated_c) / water_g_per_l(temperature_c)


def refractometer_gravity(
    original_brix: float, now_brix: float, wort_correction: float = WORT_CORRECTION
) -> float:
    """Return the gravity of fermenting beer from the refractometer's reading before yeast and now, both in °Brix.

    A reading at or above the original means that no alcohol is there yet: it is then converted as wort.

    Raises
    ------
    ValueError
        If a reading lies outside 0 to 40 °Brix or the correction outside 0.9 to 1.2.
    """
    _check("original_brix", original_brix, BRIX, "°Brix")
    _check("now_brix", now_brix, BRIX, "°Brix")
    _check("wort_correction", wort_correction, (0.9, 1.2), "")
    if now_brix >= original_brix:
        return wort_gravity(now_brix, wort_correction)
    return 1 + (0.006276 * now_brix - 0.002349 * original_brix) / wort_correction


def wort_gravity(brix: float, wort_correction: float = WORT_CORRECTION) -> float:
    """Return the gravity of unfermented wort from a refractometer's °Brix.

    Raises
    ------
    ValueError
        If the reading lies outside 0 to 40 °Brix or the correction outside 0.9 to 1.2.
    """
    _check("brix", brix, BRIX, "°Brix")
    _check("wort_correction", wort_correction, (0.9, 1.2), "")
    return sg_from_plato(brix / wort_correction)


@dataclass(frozen=True, slots=True, kw_only=True)
class Attenuation:
    """How far a fermentation has come; °P are % w/w of extract."""

    original_plato: float
    apparent_plato: float
    real_plato: float
    apparent_percent: float
    """100 · (OE − AE)/OE (definition, MEBAK)."""
    real_percent: float
    """100 · (OE − RE)/OE."""
    alcohol_mass_percent: float
    """g of alcohol per 100 g of beer."""
    alcohol_volume_percent: float
    """mL of alcohol per 100 mL of beer at 20 °C."""


def attenuation(original_gravity: float, gravity: float) -> Attenuation:
    """Return attenuation and alcohol from two gravities, by Balling (`extract`, sources there).

    Beer of 9 to 18 °P; against the alcohol measured in five sets of brews (Cutaia, Reid & Speers 2009, means) it is
    within 0.12 % w/w. Gravity at or above the original counts as nothing fermented.

    Raises
    ------
    ValueError
        If the original gravity is not above 1 and at most 1.2, or the gravity lies outside 0.985 to 1.2.
    """
    if not 1 < original_gravity <= GRAVITIES[1]:
        raise ValueError(
            f"original_gravity {original_gravity:g} must lie above 1.000 and at most at {GRAVITIES[1]:g}"
        )
    _check("gravity", gravity, GRAVITIES, "SG")
    now = min(gravity, original_gravity)
    original, apparent = plato_from_sg(original_gravity), plato_from_sg(now)
    real = original if now == original_gravity else real_extract_plato(original, apparent)
    alcohol = alcohol_by_mass_percent(original, real)
    return Attenuation(
        original_plato=original,
        apparent_plato=apparent,
        real_plato=real,
        apparent_percent=100 * (original - apparent) / original,
        real_percent=100 * (original - real) / original,
        alcohol_mass_percent=alcohol,
        alcohol_volume_percent=alcohol * now / ETHANOL_20,
    )


def assumed_final_gravity(
    original_gravity: float, apparent_percent: float = BEER_ATTENUATION_PERCENT
) -> float:
    """Return the gravity at which fermentation is taken to end, for want of a stated one."""
    return sg_from_plato(plato_from_sg(original_gravity) * (1 - apparent_percent / 100))


def co2_still_to_come_g_per_l(
    original_gravity: float, gravity: float, final_gravity: float | None = None
) -> float:
    """Return g of CO2 per L that fermentation has still to give, by Balling; 0 at or past the final gravity.

    `final_gravity` is taken as 78 % apparent attenuation if it is not stated: say so wherever the number is shown.

    Raises
    ------
    ValueError
        If a gravity lies outside 0.985 to 1.2.
    """
    if final_gravity is None:
        final_gravity = assumed_final_gravity(original_gravity)
    for name, value in (("original", original_gravity), ("now", gravity), ("final", final_gravity)):
        _check(f"{name} gravity", value, GRAVITIES, "SG")
    return max(co2_to_come_g_per_l(original_gravity, final_gravity, min(gravity, original_gravity)), 0.0)


def _check(name: str, value: float, limits: tuple[float, float], unit: str) -> None:
    low, high = limits
    if not (math.isfinite(value) and low <= value <= high):
        raise ValueError(
            f"{name} {value:g} {unit}".rstrip() + f" must lie between {low:g} and {high:g} {unit}".rstrip()
        )
