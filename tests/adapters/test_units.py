"""Units against pint, a general-purpose units library, and against defining figures."""

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.adapters.channel import Reference
from ullage.adapters.errors import DataError
from ullage.adapters.reading import Quantity
from ullage.adapters.units import conversion, units_of

# our codes are UCUM's, pint has names of its own
PINT_NAMES = {
    "Cel": "degC", "K": "kelvin", "[degF]": "degF",
    "bar": "bar", "mbar": "millibar", "Pa": "pascal", "hPa": "hectopascal", "kPa": "kilopascal", "MPa": "megapascal",
    "[psi]": "psi", "atm": "atm",
}  # fmt: skip
CANONICAL = {Quantity.TEMPERATURE: "degC", Quantity.PRESSURE: "bar"}


@pytest.fixture(name="library", scope="module")
def _library() -> "pint.UnitRegistry[float]":
    return pint.UnitRegistry()


@pytest.mark.parametrize("quantity", [Quantity.TEMPERATURE, Quantity.PRESSURE])
def test_every_unit_agrees_with_the_library(quantity: Quantity, library: "pint.UnitRegistry[float]") -> None:
    """Every known unit gives what pint gives, over the range that sensors send."""
    for unit in units_of(quantity):
        ours = conversion(quantity, unit)
        for number in (-40.0, 0.0, 0.1, 18.45, 212.0, 101325.0):
            theirs = library.Quantity(number, PINT_NAMES[unit]).to(CANONICAL[quantity]).magnitude
            assert ours.convert(number) == pytest.approx(theirs, rel=1e-12, abs=1e-9), unit


def test_all_units_are_compared() -> None:
    """No unit of temperature or pressure escapes the comparison."""
    assert {unit for quantity in CANONICAL for unit in units_of(quantity)} == set(PINT_NAMES)


def test_absolute_pressure_loses_the_air() -> None:
    """An absolute gauge at sea level reads 1013.25 mbar and stands for nothing (standard atmosphere, CGPM 1954)."""
    absolute = conversion(Quantity.PRESSURE, "mbar", reference=Reference.ABSOLUTE)
    assert absolute.convert(1013.25) == pytest.approx(0.0, abs=1e-12)
    high_up = conversion(Quantity.PRESSURE, "kPa", reference=Reference.ABSOLUTE, air_pressure_bar=0.8)
    assert high_up.convert(230.0) == pytest.approx(1.5)


def test_short_numbers_stay_short() -> None:
    """What a person typed comes out without a tail of digits."""
    assert conversion(Quantity.PRESSURE, "mbar").convert(1211.0) == 1.211
    assert conversion(Quantity.TEMPERATURE, "[degF]").convert(212.0) == 100.0
    assert conversion(Quantity.PRESSURE, "kPa").convert(150.0) == 1.5


def test_arrays_convert_like_numbers() -> None:
    """A column of a log gets the same values as the readings one by one."""
    psi = conversion(Quantity.PRESSURE, "[psi]")
    column = np.linspace(-14.0, 60.0, 75)
    assert psi.convert(column).tolist() == [psi.convert(float(number)) for number in column]


@pytest.mark.parametrize(
    ("quantity", "unit", "names"),
    [
        (Quantity.PRESSURE, "psi", "'[psi]'"),
        (Quantity.PRESSURE, "PSIG", "'[psi]'"),
        (Quantity.PRESSURE, "Bar", "'bar'"),
        (Quantity.PRESSURE, "kpa", "'kPa'"),
        (Quantity.PRESSURE, "furlong", "bar, mbar"),
        (Quantity.TEMPERATURE, "C", "'Cel'"),
        (Quantity.TEMPERATURE, "°F", "'[degF]'"),
        (Quantity.TEMPERATURE, "bar", "Cel, K, [degF]"),
        (Quantity.GRAVITY, "SG", "leave the unit empty"),
    ],
)
def test_an_unknown_unit_is_told_its_nearest(quantity: Quantity, unit: str, names: str) -> None:
    """The refusal names the unit as it came and the code to write instead."""
    with pytest.raises(DataError) as refused:
        conversion(quantity, unit)
    assert repr(unit) in str(refused.value)
    assert names in str(refused.value)


@given(st.text(max_size=12), st.sampled_from(Quantity))
def test_any_unit_is_known_or_refused(unit: str, quantity: Quantity) -> None:
    """No text crashes the look-up."""
    try:
        assert np.isfinite(conversion(quantity, unit).convert(1.0))
    except DataError:
        assert unit not in units_of(quantity)
