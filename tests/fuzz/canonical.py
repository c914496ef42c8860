"""What a raw number is in canonical units, worked out by a units library instead of our own table.

Pint 0.24 or later: its definitions are those of the SI brochure and of CODATA.
"""

import pint

_PINT = {
    "Cel": "degC", "K": "kelvin", "[degF]": "degF",
    "bar": "bar", "mbar": "mbar", "Pa": "Pa", "hPa": "hPa", "kPa": "kPa", "MPa": "MPa", "[psi]": "psi", "atm": "atm",
}  # fmt: skip
_CANONICAL = {"Cel": "degC", "K": "degC", "[degF]": "degC"}


_REGISTRY: pint.UnitRegistry[float] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


def _line(code: str) -> tuple[float, float]:
    """Return slope and value at zero: every unit here is a straight line."""
    wanted = _CANONICAL.get(code, "bar")
    at_0, at_100 = (_REGISTRY.Quantity(raw, _PINT[code]).to(wanted).magnitude for raw in (0.0, 100.0))
    return (at_100 - at_0) / 100.0, at_0


_LINES = {code: _line(code) for code in _PINT} | {"": (1.0, 0.0), "1": (1.0, 0.0), "{SG}": (1.0, 0.0)}


def is_canonical(
    value: float, raw: float, unit: str, *, scale: float = 1.0, offset: float = 0.0, air: float = 0.0
) -> bool:
    """Tell whether `value` is what `raw` in `unit` comes to, to eleven digits of the largest number on the way."""
    slope, at_zero = _LINES[unit]
    wanted = (raw * scale + offset) * slope + at_zero - air
    size = abs(raw * scale * slope) + abs(offset * slope) + abs(at_zero) + abs(air) + 500.0 * slope
    return abs(value - wanted) <= 1e-11 * size
