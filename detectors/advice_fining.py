"""How far to vent before finings are pushed in by gas.

That a dose flows in once the head space is half a bar below the dosing gas is common practice. Capacity and head
space as in `co2`.

Examples
--------
>>> vessel = Vessel(name="north", total_volume_l=23, beer_volume_l=19, rated_pressure_bar=2.5)
>>> fining_advice(vessel, 1.2, 1.0, 2.0).vent_to_bar
0.5
"""

from dataclasses import dataclass, replace

from ullage.detectors.advice_limits import SAFE_POSITIVE_BAR, check_temperature, working_limit_bar
from ullage.detectors.co2 import capacity_g_per_l_bar, gas_g_per_l_bar
from ullage.detectors.vessel import Vessel

DOSING_DIFFERENCE_BAR = 0.5
"""Head space below dosing gas by this much, and the dose flows in (common practice)."""
NOT_WORTH_BAR = 0.05
"""Less than a cheap sensor's error is not worth venting for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FiningAdvice:
    """How far to vent, bar gauge, before finings are pushed in by gas."""

    vent_to_bar: float | None
    """None if nothing has to be vented."""
    dosing_bar: float
    """Dosing gas that the advice counts on."""
    raised: bool
    """Whether the gas given was too weak to push a dose in and `dosing_bar` is above it."""
    allowed: bool
    """Whether the vessel's limit, less its margin, allows that dosing gas."""
    vented_l: float
    """Gas let out, litres at air pressure and beer temperature."""
    back_to_bar: float
    """Where the gauge creeps to afterwards, as gas leaves the beer: dose before it does."""
    text: str


def fining_advice(
    vessel: Vessel,
    pressure_bar: float,
    dosing_bar: float,
    temperature_c: float,
    difference_bar: float = DOSING_DIFFERENCE_BAR,
) -> FiningAdvice:
    """Return how far to vent so that the head space is `difference_bar` below the dosing gas.

    The gas let out quickly is that of the head space; the beer stays as it was and refills it by the balance of
    `co2.capacity_g_per_l_bar`. The head space is never vented below the safe positive pressure: a weaker dosing gas
    has to be raised instead.

    Raises
    ------
    ValueError
        If the temperature lies outside -2 to 40 °C.
    """
    check_temperature("temperature_c", temperature_c)
    needed_bar = SAFE_POSITIVE_BAR + difference_bar
    raised = dosing_bar < needed_bar
    dosing_bar = max(dosing_bar, needed_bar)
    target_bar = dosing_bar - difference_bar
    limit_bar = working_limit_bar(vessel)
    drop_bar = pressure_bar - target_bar if pressure_bar - target_bar >= NOT_WORTH_BAR else 0.0
    ratio = vessel.head_space_l / vessel.beer_volume_l
    gas = float(gas_g_per_l_bar(temperature_c)) * ratio
    capacity = float(capacity_g_per_l_bar(vessel, temperature_c))
    advice = FiningAdvice(
        vent_to_bar=target_bar if drop_bar > 0 else None,
        dosing_bar=dosing_bar,
        raised=raised,
        allowed=dosing_bar <= limit_bar,
        vented_l=vessel.head_space_l * drop_bar / vessel.air_pressure_bar,
        back_to_bar=pressure_bar - drop_bar * gas / capacity,
        text="",
    )
    return replace(advice, text=_fining_text(advice, pressure_bar, limit_bar, difference_bar))


def _fining_text(advice: FiningAdvice, pressure_bar: float, limit_bar: float, difference_bar: float) -> str:
    """Return the sentence, with its warnings where gas is let out."""
    gas = f"the dosing gas at {advice.dosing_bar:.2f} bar"
    if not advice.allowed:
        return (
            f"Dosing gas at {advice.dosing_bar:.2f} bar is more than the {limit_bar:.2f} bar that this vessel's limit "
            "allows: use a weaker gas, or dose by another way."
        )
    first = f"Raise the dosing gas to {advice.dosing_bar:.2f} bar first. " if advice.raised else ""
    if pressure_bar < 0:
        return (
            f"The head space is {-pressure_bar:.2f} bar below the air outside: connect gas at low pressure before you open "
            f"anything, or air is drawn in. {first}The dose flows in by itself then, slowly."
        )
    if advice.vent_to_bar is None:
        return (
            f"{first}No need to vent: the head space at {pressure_bar:.2f} bar is "
            f"{advice.dosing_bar - pressure_bar:.2f} bar below {gas}, and the dose flows in."
        )
    return (
        f"{first}Vent the head space from {pressure_bar:.2f} to {advice.vent_to_bar:.2f} bar, {difference_bar:g} bar "
        f"below {gas}, so that the dose flows in. Go slowly and stop when foam rises: vented fast, the beer foams into "
        f"the valve. About {advice.vented_l:.1f} L of CO2 come out; it gathers low and is dangerous in a closed room, "
        "so open door or window first. Dose at once: gas leaving the beer brings the gauge back towards "
        f"{advice.back_to_bar:.2f} bar."
    )
