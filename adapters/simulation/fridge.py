"""Heat: a fridge that switches on and off, heat belts, and beer that follows slowly.

References
----------
Heat capacity and transfer as computed from standard convection correlations for a cylinder of 0.24 x 0.50 m: 3.7 W/K
in still air for 84 kJ/K, a time of 6.2 h. The fridge's own figures are common practice.
"""

from dataclasses import dataclass

WATT_HOURS_TO_KJ = 3.6


@dataclass(frozen=True, slots=True, kw_only=True)
class FridgeSettings:
    """A household fridge with a thermostat in its air."""

    room_c: float = 19.0
    band_k: float = 1.0
    """It starts this far above the target and stops this far below it."""
    rest_min: float = 5.0
    """Shortest pause of the compressor."""
    cooling_w: float = 140.0
    wall_w_per_k: float = 1.6
    air_kj_per_k: float = 30.0
    """Air, walls and shelves."""


@dataclass(frozen=True, slots=True)
class Fridge:
    """The fridge at one moment."""

    air_c: float
    cooling: bool = False
    rested_min: float = 60.0

    def step(self, settings: FridgeSettings, target_c: float, taken_kj: float, hours: float) -> "Fridge":
        """Return it a while later, after `taken_kj` came from the vessels into its air."""
        cooling, rested_min = self.cooling, self.rested_min + hours * 60
        if cooling and self.air_c <= target_c - settings.band_k:
            cooling, rested_min = False, 0.0
        elif not cooling and self.air_c >= target_c + settings.band_k and rested_min >= settings.rest_min:
            cooling = True
        power_w = settings.wall_w_per_k * (settings.room_c - self.air_c) - settings.cooling_w * cooling
        gained_kj = power_w * hours * WATT_HOURS_TO_KJ + taken_kj
        return Fridge(self.air_c + gained_kj / settings.air_kj_per_k, cooling, rested_min)


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """How a vessel takes and gives heat."""

    beer_kj_per_l_k: float = 4.05
    shell_kj_per_k: float = 3.0
    surface_w_per_k: float = 3.7
    belt_w: float = 40.0
    belt_band_k: float = 0.1

    def capacity_kj_per_k(self, beer_l: float) -> float:
        """Return what one kelvin takes."""
        return self.beer_kj_per_l_k * beer_l + self.shell_kj_per_k

    def belt_on(self, was_on: bool, beer_c: float, target_c: float | None) -> bool:
        """Tell whether the heat belt is on."""
        if target_c is None:
            return False
        return beer_c < target_c + (self.belt_band_k if was_on else -self.belt_band_k)

    def lost_kj(self, beer_c: float, air_c: float, hours: float) -> float:
        """Return the heat that goes into the air."""
        return self.surface_w_per_k * (beer_c - air_c) * hours * WATT_HOURS_TO_KJ
