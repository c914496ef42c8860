"""Declared units to canonical ones: °C, bar gauge, specific gravity.

Codes are UCUM's (https://ucum.org/ucum, case-sensitive) and SenML's (RFC 8428 section 12.1, RFC 8798);
the two write Cel, K, Pa and hPa alike.
"""

from dataclasses import dataclass
from difflib import get_close_matches
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from ullage.adapters.channel import Channel, Reference
from ullage.adapters.errors import DataError
from ullage.adapters.reading import Quantity

Number = TypeVar("Number", float, NDArray[np.float64])

STANDARD_ATMOSPHERE_BAR = 1.01325
"""Air pressure at sea level; BIPM, 10th CGPM 1954, resolution 4."""


@dataclass(frozen=True, slots=True)
class Conversion:
    """canonical = (raw + before) · numerator / denominator + after.

    A ratio of two short numbers rather than one factor: 1.5 bar sent as 1500 mbar comes out as 1.5 exactly.
    """

    before: float = 0.0
    numerator: float = 1.0
    denominator: float = 1.0
    after: float = 0.0

    def convert(self, value: Number) -> Number:
        """Convert a number or an array of them."""
        return (value + self.before) * self.numerator / self.denominator + self.after


_SAME = Conversion()

_TEMPERATURES = {
    "Cel": _SAME,
    "K": Conversion(before=-273.15),
    "[degF]": Conversion(before=-32.0, numerator=5.0, denominator=9.0),
}
_TABLES: dict[Quantity, dict[str, Conversion]] = {
    Quantity.TEMPERATURE: _TEMPERATURES,
    Quantity.AIR_TEMPERATURE: _TEMPERATURES,
    Quantity.PRESSURE: {
        "bar": _SAME,
        "mbar": Conversion(denominator=1e3),
        "Pa": Conversion(denominator=1e5),
        "hPa": Conversion(denominator=1e3),
        "kPa": Conversion(denominator=1e2),
        "MPa": Conversion(numerator=10.0),
        # the pound of 0.45359237 kg (1959 agreement) times standard gravity over the square inch
        "[psi]": Conversion(numerator=0.45359237 * 9.80665, denominator=0.0254**2 * 1e5),
        "atm": Conversion(numerator=101325.0, denominator=1e5),
    },
    Quantity.GRAVITY: {"": _SAME, "1": _SAME, "{SG}": _SAME},
    Quantity.JOURNAL: {"": _SAME},
}

# what people write when they do not write UCUM
_EVERYDAY = {
    "c": "Cel", "°c": "Cel", "degc": "Cel", "[degc]": "Cel", "celsius": "Cel", "℃": "Cel", "centigrade": "Cel",
    "f": "[degF]", "°f": "[degF]", "degf": "[degF]", "fahrenheit": "[degF]", "℉": "[degF]",
    "kelvin": "K", "°k": "K", "degk": "K",
    "psi": "[psi]", "psig": "[psi]", "psia": "[psi]", "lbf/in2": "[psi]",
    "barg": "bar", "bara": "bar", "bars": "bar", "millibar": "mbar", "mb": "mbar", "pascal": "Pa", "kilopascal": "kPa",
    "sg": "", "g/ml": "",
}  # fmt: skip


def units_of(quantity: Quantity) -> tuple[str, ...]:
    """Return the unit codes that a quantity may be declared in, the canonical one first."""
    return tuple(_TABLES[quantity])


def conversion(
    quantity: Quantity,
    unit: str,
    *,
    reference: Reference = Reference.GAUGE,
    air_pressure_bar: float = STANDARD_ATMOSPHERE_BAR,
) -> Conversion:
    """Return how numbers in a declared unit become canonical.

    Parameters
    ----------
    quantity
        What is measured.
    unit
        UCUM or SenML code, as written in the config, the log or the payload.
    reference
        What a pressure is counted from; no other quantity has one.
    air_pressure_bar
        Subtracted from absolute pressures.

    Raises
    ------
    DataError
        If the unit is not one of this quantity; the sentence names the nearest that is.
    """
    found = _TABLES[quantity].get(unit)
    if found is None:
        raise DataError(f"unit {unit[:40]!r}", f"is not known for {quantity}", _advice(quantity, unit[:40]))
    if quantity is not Quantity.PRESSURE or reference is Reference.GAUGE:
        return found
    return Conversion(found.before, found.numerator, found.denominator, found.after - air_pressure_bar)


def channel_conversion(channel: Channel, unit: str | None = None) -> Conversion:
    """Return the conversion of a channel, in its declared unit or in one that the payload itself names."""
    return conversion(
        channel.quantity,
        channel.unit if unit is None else unit,
        reference=channel.reference,
        air_pressure_bar=channel.air_pressure_bar,
    )


def _advice(quantity: Quantity, unit: str) -> str:
    known = _TABLES[quantity]
    guess = _EVERYDAY.get(unit.strip().lower())
    if guess is None or guess not in known:
        lower = {code.lower(): code for code in known if code}
        close = get_close_matches(unit.strip().lower(), lower, n=1, cutoff=0.5)
        guess = lower[close[0]] if close else None
    if guess is not None:
        return f"did you mean {guess!r}?" if guess else "leave the unit empty"
    return "write one of " + ", ".join(code or "'' (empty)" for code in known)
