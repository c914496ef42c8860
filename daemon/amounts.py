"""Numbers on the command line, with a unit or without, as in `5`, `5 g/L`, `2.5 volumes`, `12 psi`, `41 F`, `1,5`."""

import argparse
import re
from collections.abc import Callable
from dataclasses import dataclass

_AMOUNT = re.compile(r"\s*([-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+|nan|inf))\s*(.*?)\s*", re.IGNORECASE)
_SPELT = {
    "vol": "volumes",
    "volume": "volumes",
    "volumes": "volumes",
    "g/l": "g/L",
    "kpa": "kPa",
    "c": "C",
    "f": "F",
}


@dataclass(frozen=True, slots=True)
class Amount:
    """A number and the unit written behind it; empty if none was."""

    number: float
    unit: str

    def unit_or(self, otherwise: str) -> str:
        """Return the unit, or another where none was written."""
        return self.unit or otherwise


def amount(*units: str) -> Callable[[str], Amount]:
    """Return a reader for an option that takes a number in one of these units."""

    def read(text: str) -> Amount:
        match = _AMOUNT.fullmatch(text)
        unit = "" if match is None else match[2].lower().lstrip("°")
        unit = _SPELT.get(unit, unit)
        if match is None or unit not in ("", *units):
            raise argparse.ArgumentTypeError(f"{text!r} is no number, alone or in {' or '.join(units)}")
        return Amount(float(match[1].replace(",", ".")), unit)

    return read


def number(text: str) -> float:
    """Read a number without a unit; a decimal comma is one, too."""
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no number") from None


def whole_number(text: str) -> int:
    """Read a whole number."""
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no whole number") from None


def celsius(text: str) -> float:
    """Read a temperature in °C, or in °F if it says so, as in `43F`; that is taken to 0.1 °C, as nobody sets a fridge finer."""
    given = amount("C", "F")(text)
    return round((given.number - 32) / 1.8, 1) if given.unit == "F" else given.number
