"""The units that a reader chose: canonical numbers become shown ones at the very end, and only here."""

from dataclasses import dataclass
from enum import StrEnum

from ullage.adapters.reading import Quantity
from ullage.adapters.units import Number, conversion


class TemperatureUnit(StrEnum):
    """How temperatures are shown."""

    CELSIUS = "C"
    FAHRENHEIT = "F"


class PressureUnit(StrEnum):
    """How gauge pressures are shown."""

    BAR = "bar"
    PSI = "psi"
    KPA = "kPa"


_TEMPERATURE_CODE = {TemperatureUnit.CELSIUS: "Cel", TemperatureUnit.FAHRENHEIT: "[degF]"}
_PRESSURE_CODE = {PressureUnit.BAR: "bar", PressureUnit.PSI: "[psi]", PressureUnit.KPA: "kPa"}
_PRESSURE_DECIMALS = {PressureUnit.BAR: 2, PressureUnit.PSI: 1, PressureUnit.KPA: 0}


@dataclass(frozen=True, slots=True)
class Units:
    """A reader's choice of units."""

    temperature: TemperatureUnit = TemperatureUnit.CELSIUS
    pressure: PressureUnit = PressureUnit.BAR

    @property
    def temperature_label(self) -> str:
        """The unit of temperature as it is written."""
        return f"°{self.temperature.value}"

    @property
    def pressure_label(self) -> str:
        """The unit of pressure as it is written."""
        return self.pressure.value

    @property
    def pressure_decimals(self) -> int:
        """Digits after the point that a pressure deserves: hundredths of a bar or about that."""
        return _PRESSURE_DECIMALS[self.pressure]

    def shown_temperature(self, celsius: Number) -> Number:
        """Return a temperature in the chosen unit."""
        return _back(Quantity.TEMPERATURE, _TEMPERATURE_CODE[self.temperature], celsius)

    def shown_pressure(self, bar: Number) -> Number:
        """Return a gauge pressure in the chosen unit."""
        return _back(Quantity.PRESSURE, _PRESSURE_CODE[self.pressure], bar)

    def temperature_text(self, celsius: float) -> str:
        """Write a temperature with its unit."""
        return f"{_positive_zero(self.shown_temperature(celsius), 1)} {self.temperature_label}"

    def pressure_text(self, bar: float) -> str:
        """Write a gauge pressure with its unit."""
        return f"{self.pressure_number(bar)} {self.pressure_label}"

    def temperature_number(self, celsius: float) -> str:
        """Write a temperature without its unit."""
        return _positive_zero(self.shown_temperature(celsius), 1)

    def pressure_number(self, bar: float) -> str:
        """Write a gauge pressure without its unit."""
        return _positive_zero(self.shown_pressure(bar), self.pressure_decimals)


def units_named(temperature: str, pressure: str) -> Units:
    """Return the choice that these words make: `C` or `F`, and `bar`, `psi` or `kPa`.

    Raises
    ------
    ValueError
        If a word is none of these.
    """
    return Units(TemperatureUnit(temperature), PressureUnit(pressure))


def _back(quantity: Quantity, code: str, value: Number) -> Number:
    """Undo the conversion that made the value canonical."""
    known = conversion(quantity, code)
    return (value - known.after) * known.denominator / known.numerator - known.before


def _positive_zero(value: float, decimals: int) -> str:
    """Write a number without a minus before nought."""
    text = f"{value:.{decimals}f}"
    return text.lstrip("-") if not float(text) else text
