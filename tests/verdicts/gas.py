"""Where the CO2 goes: dissolved, head space, valve, relief valve, leak. Its own physics, shared with no detector.

Two states: dissolved gas relaxes towards saturation at a rate of its own (fast while bubbling, slow when quiet,
slower still when beer takes gas up from the top), which gives supersaturation while the yeast works (measured up to
1.67 times saturation: Delente and Gurley, MBAA TQ 5:187, 1968) and a creep of the pressure afterwards. An infinite
rate gives the world in equilibrium.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from tests.verdicts.trigger import FloatArray

MOLAR_CO2 = 44.0095
GAS_BAR_L = 0.0831446
ATM_BAR = 1.01325


def weiss(kelvin: FloatArray) -> FloatArray:
    """CO2 in water, g/(L bar): Weiss, Mar. Chem. 2:203 (1974)."""
    k0 = np.exp(-60.2409 + 9345.17 / kelvin + 23.3585 * np.log(kelvin / 100))
    return np.asarray(k0 * MOLAR_CO2 / ATM_BAR)


def carroll(kelvin: FloatArray) -> FloatArray:
    """CO2 in water, g/(L bar): Carroll, Slupsky, Mather, J. Phys. Chem. Ref. Data 20:1201 (1991)."""
    h = np.exp(-6.8346 + 12817 / kelvin - 3.7668e6 / kelvin**2 + 2.997e8 / kelvin**3)
    return np.asarray(0.1 / h * MOLAR_CO2 * 999.0 / 18.01528)


def iapws(kelvin: FloatArray) -> FloatArray:
    """CO2 in water, g/(L bar): IAPWS G7-04, with Tetens' vapour pressure."""
    tr = kelvin / 647.096
    tau = 1 - tr
    ratio = np.exp(-8.55445 / tr + 4.01195 * tau**0.355 / tr + 9.52345 * tr**-0.41 * np.exp(tau))
    celsius = kelvin - 273.15
    vapour_mpa = 0.61078e-3 * np.exp(17.27 * celsius / (celsius + 237.3))
    return np.asarray(0.1 / (ratio * vapour_mpa) * MOLAR_CO2 * 999.0 / 18.01528)


def beer_formula(kelvin: FloatArray) -> FloatArray:
    """CO2 in beer, g/(L bar): the trade's two-parameter formula (MEBAK's principle, public coefficients)."""
    return np.asarray(10 * np.exp(-10.73797 + 2617.25 / kelvin))


SOLUBILITY: dict[str, Callable[[FloatArray], FloatArray]] = {
    "weiss": weiss,
    "carroll": carroll,
    "iapws": iapws,
    "beer": beer_formula,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class GasWorld:
    """Volumes and laws of one batch. Rates per hour; an infinite `release_per_h` is the world in equilibrium."""

    beer_l: float
    head_l: float
    solubility: str
    beer_factor: float
    compressibility: float
    release_per_h: float
    uptake_per_h: float
    excess_g_per_l: float
    air_part: float
    head_in_air: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Valve:
    """Spunding valve: `pop` drops to reseat at once, `smooth` passes gas in proportion, `none` is a sealed vessel.

    `excess_bar` is how far a smooth valve stands above its reseat at the peak; `flow_g_per_h_bar` follows from it.
    """

    style: str
    opening_bar: float
    hysteresis_bar: float
    excess_bar: float
    relief_bar: float
    drift_bar_per_week: float
    creep_bar: float
    flow_g_per_h_bar: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """What drives the gas, one row per fine step: amounts per step, capacities in g/bar, ambient in bar absolute."""

    made_g: FloatArray
    release: FloatArray
    uptake: float
    gas_g_per_bar: FloatArray
    beer_g_per_bar: FloatArray
    air_k_per_l: FloatArray
    ambient_bar: FloatArray
    opening_bar: FloatArray
    leak_g_per_bar: FloatArray


@dataclass(slots=True)
class GasState:
    """Amounts at this moment and the record so far (one row per fine step)."""

    dissolved_g: float
    gas_g: float
    air: float
    venting: bool = False
    vented_g: float = 0.0
    leaked_g: float = 0.0
    pressure: list[float] = field(default_factory=list)
    vented: list[float] = field(default_factory=list)
    leaked: list[float] = field(default_factory=list)
    dissolved: list[float] = field(default_factory=list)


def make_drive(
    world: GasWorld,
    *,
    made_g_per_l: FloatArray,
    beer_c: FloatArray,
    head_c: FloatArray,
    ambient_bar: FloatArray,
    opening_bar: FloatArray,
    leak_per_h: FloatArray,
    dt_h: float,
) -> Drive:
    """Work out the columns of the fine loop; `leak_per_h` is the fall of gauge pressure at equilibrium, per hour."""
    kelvin, head_k = beer_c + 273.15, head_c + 273.15
    hold = SOLUBILITY[world.solubility](kelvin) * world.beer_factor * world.beer_l
    gas = world.head_l * MOLAR_CO2 / (GAS_BAR_L * head_k * world.compressibility)
    step = np.diff(made_g_per_l, prepend=made_g_per_l[0])
    # Bubbles carry gas out in proportion to what is made: excess = rate / (quiet + rate / most).
    release = (world.release_per_h + step / dt_h / world.excess_g_per_l) * dt_h
    return Drive(
        made_g=step * world.beer_l,
        release=release,
        uptake=world.uptake_per_h * dt_h,
        gas_g_per_bar=gas,
        beer_g_per_bar=hold,
        air_k_per_l=head_k / world.head_l,
        ambient_bar=ambient_bar,
        opening_bar=opening_bar,
        leak_g_per_bar=leak_per_h * (gas + hold) * dt_h,
    )


def at_rest(world: GasWorld, drive: Drive, index: int) -> GasState:
    """Return the vessel just closed at ambient pressure, part of the head space CO2 already, beer in balance."""
    ambient = float(drive.ambient_bar[index])
    co2_bar = ambient * (1 - world.air_part)
    return GasState(
        dissolved_g=co2_bar * float(drive.beer_g_per_bar[index]),
        gas_g=co2_bar * float(drive.gas_g_per_bar[index]),
        air=ambient * world.air_part / float(drive.air_k_per_l[index]),
    )


def vent_to(state: GasState, drive: Drive, index: int, target_bar: float) -> None:
    """Someone opens the vessel by hand until the gauge shows `target_bar`."""
    ambient = float(drive.ambient_bar[index])
    now = state.gas_g / float(drive.gas_g_per_bar[index]) + state.air * float(drive.air_k_per_l[index])
    keep = min((target_bar + ambient) / now, 1.0)
    state.vented_g += state.gas_g * (1 - keep)
    state.gas_g *= keep
    state.air *= keep


def run_gas(
    state: GasState,
    drive: Drive,
    valve: Valve,
    start: int,
    stop: int,
    *,
    dt_h: float,
    shut: bool = False,
    until_bar: float = math.inf,
) -> int:
    """Go on from row `start` to `stop`; return the row reached, earlier if the gauge passes `until_bar`."""
    exp, floor = math.exp, math.floor
    dissolved, gas, air, venting = state.dissolved_g, state.gas_g, state.air, state.venting and not shut
    vented, leaked = state.vented_g, state.leaked_g
    pop, smooth = valve.style == "pop" and not shut, valve.style == "smooth" and not shut
    band = max(valve.hysteresis_bar, 1e-4)
    cap = float(drive.gas_g_per_bar[start]) if start < len(drive.gas_g_per_bar) else 1.0
    pass_on = max(valve.flow_g_per_h_bar / cap * dt_h, 1e-9)
    still = exp(-pass_on)
    relief, relief_shut, uptake = valve.relief_bar, 0.9 * valve.relief_bar, drive.uptake
    columns = (
        drive.made_g,
        drive.release,
        drive.gas_g_per_bar,
        drive.beer_g_per_bar,
        drive.air_k_per_l,
        drive.ambient_bar,
        drive.opening_bar,
        drive.leak_g_per_bar,
    )
    row = start
    for made, release, cg, cl, ka, amb, opening, leak in zip(
        *(c[start:stop].tolist() for c in columns), strict=True
    ):
        dissolved += made
        excess = dissolved - cl * gas / cg
        ratio = 1 + cl / cg
        moved = excess / ratio * (1 - exp(-(release if excess > 0 else uptake) * ratio))
        dissolved -= moved
        before = gas / cg + air * ka
        gas += moved
        absolute = gas / cg + air * ka
        p = absolute - amb
        target = p
        if leak > 0 and p > 0:
            lost = leak * p * (gas / cg) / absolute
            leaked += lost
            gas -= lost
            p -= lost / cg
            target = p
            absolute = p + amb
        if pop and p >= opening:
            target = p - band * (floor((p - opening) / band) + 1)
        elif smooth and (venting or p >= opening):
            seat = opening - valve.hysteresis_bar
            rise = (p - before + amb) / pass_on
            target = (
                seat + rise + (before - amb - seat - rise) * still if venting else seat + (p - seat) * still
            )
            venting = target > seat + 1e-4
            target = min(max(target, seat), p)
        if target >= relief:
            target = relief_shut
        if target < p:
            keep = (target + amb) / absolute
            vented += gas * (1 - keep)
            gas *= keep
            air *= keep
        state.pressure.append(target)
        state.vented.append(vented)
        state.leaked.append(leaked)
        state.dissolved.append(dissolved)
        row += 1
        if target > until_bar:
            break
    state.dissolved_g, state.gas_g, state.air, state.venting = dissolved, gas, air, venting
    state.vented_g, state.leaked_g = vented, leaked
    return row
