"""What carbon dioxide does in a closed vessel: it dissolves, it fills the head space, it leaves by the valve.

References
----------
Solubility: IAPWS G7-04 (Henry's constant of CO2 in water, Fernández-Prini et al. 2003), with the saturation
pressure of water by Wagner and Pruss (IAPWS SR1-86, 1992). Beer holds some 4.5 % less than water: the carbonation
chart of the trade against such values. Second virial coefficient: Span and Wagner 1996 at 0, 5 and 20 °C.
Fermenting beer was measured at up to 1.67 of saturation (Delente and Gurley, MBAA TQ 5:187, 1968), quiet beer
takes days to come to rest (common practice); the two speeds of transfer here reproduce that.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import exp

from ullage.adapters.simulation.kinetics import CO2_G_PER_MOL

AIR_BAR = 1.01325
GAS_CONSTANT_L_BAR = 0.0831446
KELVIN = 273.15
BEER_SHARE = 0.955
"""Solubility in beer over that in water."""
WATER_MOL_PER_L = 55.4
QUIET_PER_H = 0.06
"""Transfer between beer and gas at rest: a time of 17 h."""
BUBBLING_PER_H = 8.0
"""What each unit of relative supersaturation adds by bubbles."""

_CRITICAL_K = 647.096
_CRITICAL_BAR = 220.64


@lru_cache(maxsize=512)
def _by_temperature(hundredths_c: int) -> tuple[float, float]:
    """Saturation pressure of water in bar, and Henry's constant of CO2 in water as bar per mole fraction."""
    reduced = (hundredths_c / 100 + KELVIN) / _CRITICAL_K
    tau = 1.0 - reduced
    series = (
        -7.85951783 * tau
        + 1.84408259 * tau**1.5
        - 11.7866497 * tau**3
        + 22.6807411 * tau**3.5
        - 15.9618719 * tau**4
        + 1.80122502 * tau**7.5
    )
    vapour_bar = _CRITICAL_BAR * exp(series / reduced)
    ln_ratio = -8.55445 / reduced + 4.01195 * tau**0.355 / reduced + 9.52345 * reduced**-0.41 * exp(tau)
    return vapour_bar, vapour_bar * exp(ln_ratio)


def water_vapour_bar(temperature_c: float) -> float:
    """Return the saturation pressure of water."""
    return _by_temperature(round(temperature_c * 100))[0]


def henry_bar(temperature_c: float) -> float:
    """Return Henry's constant of CO2 in water, bar of fugacity per mole fraction."""
    return _by_temperature(round(temperature_c * 100))[1]


def solubility_g_per_l_bar(temperature_c: float) -> float:
    """Return grams of CO2 in a litre of beer for each bar of CO2 above it."""
    return BEER_SHARE * WATER_MOL_PER_L * CO2_G_PER_MOL / henry_bar(temperature_c)


def virial_l_per_mol(temperature_c: float) -> float:
    """Return the second virial coefficient of CO2, interpolated over -2 to 25 °C."""
    if temperature_c < 5.0:
        return -0.150 + 0.0012 * temperature_c
    return -0.144 + (0.016 / 15.0) * (temperature_c - 5.0)


@dataclass(frozen=True, slots=True)
class HeadSpace:
    """The gas above the beer."""

    volume_l: float
    co2_mol: float
    air_mol: float

    @staticmethod
    def of_air(volume_l: float, temperature_c: float) -> "HeadSpace":
        """Return a head space as the vessel is closed: air at the pressure of the room, moist."""
        dry_bar = AIR_BAR - water_vapour_bar(temperature_c)
        return HeadSpace(volume_l, 0.0, dry_bar * volume_l / (GAS_CONSTANT_L_BAR * (temperature_c + KELVIN)))

    def co2_bar(self, temperature_c: float) -> float:
        """Return the partial pressure of CO2 as a real gas."""
        density = self.co2_mol / self.volume_l
        return (
            density
            * GAS_CONSTANT_L_BAR
            * (temperature_c + KELVIN)
            * (1.0 + virial_l_per_mol(temperature_c) * density)
        )

    def pressure_bar(self, temperature_c: float) -> float:
        """Return the gauge pressure."""
        air_bar = self.air_mol * GAS_CONSTANT_L_BAR * (temperature_c + KELVIN) / self.volume_l
        return self.co2_bar(temperature_c) + air_bar + water_vapour_bar(temperature_c) - AIR_BAR

    def bar_per_mol(self, temperature_c: float) -> float:
        """Return by how much a mole more raises the pressure, the gas taken as ideal."""
        return GAS_CONSTANT_L_BAR * (temperature_c + KELVIN) / self.volume_l

    def with_co2(self, mol: float) -> "HeadSpace":
        """Return it with CO2 added or taken."""
        return HeadSpace(self.volume_l, max(self.co2_mol + mol, 0.0), self.air_mol)

    def vented(self, mol: float) -> "HeadSpace":
        """Return it after well-mixed gas has left."""
        whole = self.co2_mol + self.air_mol
        left = 1.0 - min(mol / whole, 1.0) if whole > 0 else 1.0
        return HeadSpace(self.volume_l, self.co2_mol * left, self.air_mol * left)

    def vented_to(self, limit_bar: float, temperature_c: float) -> "HeadSpace":
        """Return it after enough gas has left for the pressure to be at the limit, or as it is if it was below."""
        space = self
        for _ in range(20):
            over_bar = space.pressure_bar(temperature_c) - limit_bar
            if over_bar <= 0.0:
                break
            space = space.vented(over_bar * (1.0 + 1e-9) / space.bar_per_mol(temperature_c))
        return space


def released_g(
    dissolved_g: float, beer_l: float, space: HeadSpace, temperature_c: float, hours: float
) -> float:
    """Return how much CO2 leaves the beer (negative: enters it) over a while.

    Notes
    -----
    The excess over saturation decays with the transfer speed times (1 + capacity of the beer over that of the head
    space), since gas that comes out raises the pressure against which it does: solved exactly, so that a small
    head space over much beer makes no oscillation.
    """
    solubility = solubility_g_per_l_bar(temperature_c)
    held_g = beer_l * solubility * max(space.co2_bar(temperature_c), 0.0)
    excess_g = dissolved_g - held_g
    speed_per_h = QUIET_PER_H
    if excess_g > 0.0:
        speed_per_h += BUBBLING_PER_H * min(excess_g / max(held_g, 0.2 * beer_l * solubility), 3.0)
    coupled = 1.0 + beer_l * solubility * space.bar_per_mol(temperature_c) / CO2_G_PER_MOL
    moved_g = excess_g * (1.0 - exp(-speed_per_h * coupled * hours)) / coupled
    return max(moved_g, -space.co2_mol * CO2_G_PER_MOL)


@dataclass(frozen=True, slots=True, kw_only=True)
class Valve:
    """A spring-loaded spunding valve.

    Parameters
    ----------
    opening_bar
        Gauge pressure at which it lifts.
    blow_down_bar
        How far the pressure falls before it sits again; 0 passes smoothly. With a blow-down it passes steadily while
        much gas comes and cycles once less comes than it passes at its smallest lift.
    flow_mol_per_h_bar
        What it passes for each bar above the pressure at which its flow ends.
    """

    opening_bar: float
    blow_down_bar: float = 0.0
    flow_mol_per_h_bar: float = 10.0

    @property
    def reseat_bar(self) -> float:
        """Gauge pressure at which it sits again."""
        return self.opening_bar - self.blow_down_bar

    def passed_mol(
        self, lifted: bool, space: HeadSpace, gained_mol: float, temperature_c: float, hours: float
    ) -> tuple[float, bool]:
        """Return what it passes over a while in which the head space gained gas, and whether it is lifted then.

        Parameters
        ----------
        lifted
            Whether it was lifted before.
        space
            The head space with the gas already gained.
        gained_mol
            Gas gained over the while.
        temperature_c, hours
            Of the gas; how long.
        """
        pressure_bar = space.pressure_bar(temperature_c)
        if pressure_bar <= (self.reseat_bar if lifted else self.opening_bar):
            return 0.0, False
        closed_bar = self.reseat_bar - self.blow_down_bar / 2  # where the flow of a lifted valve would end
        stiffness = space.bar_per_mol(temperature_c)
        steady_bar = closed_bar + gained_mol / hours / self.flow_mol_per_h_bar
        before_bar = pressure_bar - gained_mol * stiffness
        fade = exp(-self.flow_mol_per_h_bar * stiffness * hours)
        after_bar = steady_bar + (before_bar - steady_bar) * fade  # linear in the pressure: solved exactly
        sits = after_bar <= self.reseat_bar
        passed = (pressure_bar - max(after_bar, self.reseat_bar)) / stiffness
        return max(passed, 0.0), not sits
