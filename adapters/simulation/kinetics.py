"""What the yeast does: sugars eaten, carbon dioxide and heat made.

The growth model of Engasser with the temperature terms of Gee and Ramirez, and in front of it the lag of Baranyi and
Roberts, which the growth model lacks. Above 16 °C it is extrapolated. There is no stall, and pressure has no
influence: 0.5 to 1 bar of it changes the speed only slightly.

References
----------
Engasser et al., EBC Congress 1981; Gee and Ramirez, Biotechnol. Bioeng. 31:224 (1988) and J. Inst. Brew. 100:321
(1994): equations and constants. Baranyi and Roberts, Int. J. Food Microbiol. 23:277 (1994): the lag (from memory);
the speed of adaptation, doubled every 7.5 K, is common practice.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import exp, expm1

GAS_CONSTANT_KCAL = 1.987e-3
CO2_G_PER_MOL = 44.0095
CO2_MOL_PER_MOL = (1.97, 3.94, 5.91)
HEAT_KJ_PER_MOL = (91.2, 226.3, 361.3)
YEAST_MOL_PER_MOL = (0.134, 0.268, 0.402)
CROWDING = 3.65e5
PUBLISHED_START = (70.0, 220.0, 40.0, 125.0)
"""Glucose, maltose, maltotriose and yeast at pitching, mol/m³."""
ADAPTING_AT_20_C = 0.4
"""Speed of adaptation, 1/h."""
MOST_READY = 1e12

_LN_A_AND_E = (
    (35.77, 22.6),
    (16.40, 11.3),
    (10.59, 7.16),
    (-121.3, -68.6),
    (-19.15, -14.4),
    (-26.78, -19.9),
    (23.33, 10.2),
    (55.61, 26.3),
)

Rates = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Wort:
    """What is in a litre: sugars and yeast in mol/m³, and how ready the yeast is."""

    glucose: float
    maltose: float
    maltotriose: float
    yeast: float
    readiness: float
    """Baranyi's q: the yeast works at q / (1 + q) of its speed."""
    yeast_at_start: float

    @staticmethod
    def pitched(share: float = 1.0, lag_h: float = 0.0, vigour: float = 1.0) -> "Wort":
        """Return a fresh wort.

        Parameters
        ----------
        share
            Fermentable sugar as a share of the published wort, which makes 54.6 g of CO2 per litre.
        lag_h
            Lag at 20 °C, in hours.
        vigour
            Yeast pitched as a share of the published amount.
        """
        glucose, maltose, maltotriose, yeast = PUBLISHED_START
        readiness = min(1.0 / max(expm1(ADAPTING_AT_20_C * lag_h), 1e-300), MOST_READY)
        return Wort(
            share * glucose, share * maltose, share * maltotriose, vigour * yeast, readiness, vigour * yeast
        )

    def co2_to_come_g_per_l(self) -> float:
        """Return the CO2 that the sugars left will make."""
        sugars = (self.glucose, self.maltose, self.maltotriose)
        moles = sum(sugar * each for sugar, each in zip(sugars, CO2_MOL_PER_MOL, strict=True))
        return moles * CO2_G_PER_MOL / 1e3


@dataclass(frozen=True, slots=True)
class Fermented:
    """What a stretch of time made of a wort."""

    wort: Wort
    co2_g_per_l: float
    heat_kj_per_l: float


@lru_cache(maxsize=512)
def rate_constants(hundredths_c: int) -> tuple[float, ...]:
    """Return μG, μM, μN (1/h), KG, KM, KN, K'G, K'M (mol/m³) at a temperature given in hundredths of °C."""
    energy = GAS_CONSTANT_KCAL * (hundredths_c / 100 + 273.15)
    return tuple(exp(ln_a - e / energy) for ln_a, e in _LN_A_AND_E)


def _rates(
    constants: tuple[float, ...],
    glucose: float,
    maltose: float,
    maltotriose: float,
    yeast: float,
    start: float,
) -> Rates:
    """Sugars eaten and yeast grown, mol/m³ each hour, by yeast at full speed."""
    mu_g, mu_m, mu_n, k_g, k_m, k_n, block_g, block_m = constants
    by_glucose = block_g / (block_g + glucose)
    u_g = mu_g * glucose / (k_g + glucose)
    u_m = mu_m * maltose / (k_m + maltose) * by_glucose
    u_n = mu_n * maltotriose / (k_n + maltotriose) * by_glucose * block_m / (block_m + maltose)
    grown = YEAST_MOL_PER_MOL[0] * u_g + YEAST_MOL_PER_MOL[1] * u_m + YEAST_MOL_PER_MOL[2] * u_n
    crowded = CROWDING / (CROWDING + (yeast - start) ** 2)
    return u_g * yeast, u_m * yeast, u_n * yeast, grown * yeast * crowded


def ferment(wort: Wort, temperature_c: float, hours: float) -> Fermented:
    """Let the yeast work for a while at one temperature: one step of the midpoint rule.

    Parameters
    ----------
    wort
        Where it starts.
    temperature_c
        Of the beer.
    hours
        How long; an hour at most, for the rule to hold.
    """
    constants = rate_constants(round(temperature_c * 100))
    ready = wort.readiness * exp(ADAPTING_AT_20_C * 2 ** ((temperature_c - 20.0) / 7.5) * hours / 2)
    works = ready / (1.0 + ready) * hours
    g, m, n, x = wort.glucose, wort.maltose, wort.maltotriose, wort.yeast
    start = wort.yeast_at_start
    first = _rates(constants, g, m, n, x, start)
    half = works / 2
    d_g, d_m, d_n, d_x = _rates(
        constants,
        max(g - first[0] * half, 0.0),
        max(m - first[1] * half, 0.0),
        max(n - first[2] * half, 0.0),
        x + first[3] * half,
        start,
    )
    eaten = (min(d_g * works, g), min(d_m * works, m), min(d_n * works, n))
    moles = sum(sugar * each for sugar, each in zip(eaten, CO2_MOL_PER_MOL, strict=True))
    heat_j_per_l = sum(sugar * each for sugar, each in zip(eaten, HEAT_KJ_PER_MOL, strict=True))
    after = Wort(
        g - eaten[0],
        m - eaten[1],
        n - eaten[2],
        x + d_x * works,
        min(ready * ready / wort.readiness, 1e12),
        start,
    )
    return Fermented(after, moles * CO2_G_PER_MOL / 1e3, heat_j_per_l / 1e3)
