"""At which pressure to shut the vessel so that the chilled beer holds the carbonation wanted.

Fermented out, shut and chilled, a vessel neither gains nor loses CO2: gas of the head space dissolves as the beer gets
cold and the gauge falls. With K(T) the grams per litre of beer that one bar of CO2 is worth in beer and head space
together (`co2.capacity_g_per_l_bar`) and s(T) those in the beer alone (`co2.solubility_g_per_l_bar`), the balance is::

    K(fermenting) · (set point + air − residual air) = K(cold) · wanted / s(cold)

Source of the balance: conservation of mass; of s(T): see `co2`. The trade's habit of adding some 0.4 bar to the
pressure of the cold beer covers 6 to 7 K of chill in a nearly full vessel and no more.

It counts beer in balance with its head space when the vessel is shut. Fermenting beer holds more than that (up to
1.67 times, Delente & Gurley 1968), so beer shut while it still works, or just after, comes out livelier.

Examples
--------
>>> vessel = Vessel(name="north", total_volume_l=23, beer_volume_l=19, rated_pressure_bar=2.5)
>>> advice = valve_advice(vessel, 5.0, 20.0, 1.0, 6.0)
>>> round(advice.alone_bar, 2), advice.allowed, round(advice.after_chill_bar, 2)
(1.8, True, 0.63)
"""

from dataclasses import dataclass, replace

from ullage.detectors.advice_bottle import BottleGas, bottle_gas
from ullage.detectors.advice_limits import (
    SAFE_POSITIVE_BAR,
    check_carbonation,
    check_temperature,
    working_limit_bar,
    working_margin_bar,
)
from ullage.detectors.co2 import (
    KELVIN,
    capacity_g_per_l_bar,
    gauge_for_carbonation_bar,
    solubility_g_per_l_bar,
)
from ullage.detectors.vessel import Vessel


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveAdvice:
    """Set point of the valve, in bar gauge, and what comes of it."""

    wanted_g_per_l: float
    alone_bar: float
    """Set point that alone gives the wanted carbonation after the chill; may be out of reach, or negative."""
    limit_bar: float
    """Highest set point that is advised: `margin_bar` below the rated limit."""
    margin_bar: float
    allowed: bool
    """Whether `alone_bar` is within `limit_bar`."""
    set_point_bar: float
    after_chill_bar: float
    after_chill_g_per_l: float
    """Carbonation and pressure once the beer of `set_point_bar` is cold, before any gas is added."""
    serving_bar: float
    """Regulator pressure that keeps the wanted carbonation at the serving temperature."""
    bottle: BottleGas | None
    text: str


def valve_advice(
    vessel: Vessel,
    wanted_g_per_l: float,
    fermenting_c: float,
    cold_c: float,
    serving_c: float,
    residual_air_bar: float = 0.0,
    margin_bar: float | None = None,
) -> ValveAdvice:
    """Return the set point for a wanted carbonation.

    Parameters
    ----------
    vessel
        Volumes, rated limit and the air pressure where it stands.
    wanted_g_per_l
        Carbonation of the finished beer, g/L.
    fermenting_c, cold_c, serving_c
        Beer temperature when the vessel is shut, after the chill, and in the glass, °C.
    residual_air_bar
        Partial pressure of air still in the head space when the vessel is shut, bar; it presses, but is no CO2.
    margin_bar
        Kept below the rated limit; a tenth of it, at least 0.2 bar, if left out.

    Raises
    ------
    ValueError
        If a temperature lies outside -2 to 40 °C or the carbonation outside 0 to 20 g/L.
    """
    for name, value in (("fermenting_c", fermenting_c), ("cold_c", cold_c), ("serving_c", serving_c)):
        check_temperature(name, value)
    check_carbonation(wanted_g_per_l)
    # air stays behind as gas and shrinks with the absolute temperature
    cold_air_bar = residual_air_bar * (cold_c + KELVIN) / (fermenting_c + KELVIN)
    ratio = capacity_g_per_l_bar(vessel, cold_c) / capacity_g_per_l_bar(vessel, fermenting_c)
    outside_bar = vessel.air_pressure_bar - residual_air_bar
    in_cold_beer = solubility_g_per_l_bar(cold_c)
    alone_bar = float(ratio * wanted_g_per_l / in_cold_beer - outside_bar)
    limit_bar = working_limit_bar(vessel, margin_bar)
    set_point_bar = min(max(alone_bar, 0.0), limit_bar)
    cold_co2_bar = (set_point_bar + outside_bar) / ratio
    advice = ValveAdvice(
        wanted_g_per_l=wanted_g_per_l,
        alone_bar=alone_bar,
        limit_bar=limit_bar,
        margin_bar=working_margin_bar(vessel, margin_bar),
        allowed=alone_bar <= limit_bar,
        set_point_bar=set_point_bar,
        after_chill_bar=float(cold_co2_bar + cold_air_bar - vessel.air_pressure_bar),
        after_chill_g_per_l=float(cold_co2_bar * in_cold_beer),
        serving_bar=float(gauge_for_carbonation_bar(wanted_g_per_l, serving_c, vessel.air_pressure_bar)),
        bottle=None
        if alone_bar <= limit_bar
        else bottle_gas(vessel, wanted_g_per_l, cold_c, cold_co2_bar, cold_air_bar, limit_bar),
        text="",
    )
    return _worded(advice, vessel, fermenting_c, cold_c)


def _worded(advice: ValveAdvice, vessel: Vessel, fermenting_c: float, cold_c: float) -> ValveAdvice:
    """Return the advice with its sentence."""
    wanted = f"{advice.wanted_g_per_l:.1f} g/L"
    if advice.alone_bar <= 0:
        text = (
            f"Leave the valve open: beer fermented at {fermenting_c:g} °C under air pressure already holds the "
            f"{wanted} once it is at {cold_c:g} °C. Connect gas before you chill, or the vessel draws in air."
        )
    elif advice.limit_bar < SAFE_POSITIVE_BAR:
        return replace(
            advice,
            text=f"A vessel for {vessel.rated_pressure_bar:g} bar can't carbonate beer: with a margin of {advice.margin_bar:.2f} "
            "bar nothing is left of it. Ferment with the valve open, and carbonate in another vessel.",
        )
    elif advice.bottle is None:
        text = (
            f"Set the valve to {advice.set_point_bar:.2f} bar: shut when fermentation is over at {fermenting_c:g} °C "
            f"and chilled to {cold_c:g} °C, the beer holds {wanted} and the gauge settles near "
            f"{advice.after_chill_bar:.2f} bar."
        )
    else:
        text = (
            f"Set the valve to {advice.set_point_bar:.2f} bar. {wanted} after the chill to {cold_c:g} °C would ask for "
            f"{advice.alone_bar:.2f} bar, but the vessel's plate says {vessel.rated_pressure_bar:g} bar and "
            f"{advice.margin_bar:.2f} bar of that is kept as a margin. The chill then leaves "
            f"{advice.after_chill_g_per_l:.1f} g/L at {advice.after_chill_bar:.2f} bar; {advice.bottle.text}."
        )
    if advice.alone_bar > 0 and advice.after_chill_bar < SAFE_POSITIVE_BAR:
        text += (
            f" That is below the {SAFE_POSITIVE_BAR:g} bar that keeps air out: connect gas before the beer is that "
            "cold."
        )
    if advice.alone_bar > 0:
        text += (
            " Take it as good to 5 %; a small valve holds to 0.1 or 0.2 bar at best, so go by the gauge, and keep the "
            "relief valve free: it protects, this number does not."
        )
    return replace(advice, text=text)
