"""Journal entries in a brewer's own units become canonical at the edge: `valve set 20 psi` is kept as `valve set 1.38 bar`.

The detectors read bar and °C alone. An entry left in psi would be a note, and the valve's setting unknown to them.
"""

import re

from ullage.adapters.reading import Quantity
from ullage.adapters.units import conversion

_CODES = {"psi": "[psi]", "kpa": "kPa", "mbar": "mbar", "f": "[degF]"}
_SET = re.compile(r"(valve set|chill) (-?\d{1,9}(?:[.,]\d{1,9})?) ?(psi|kpa|mbar|°?f)", re.IGNORECASE)
_WORD = {"valve set": ("psi", "kpa", "mbar"), "chill": ("f",)}


def in_canonical_units(entry: str) -> str:
    """Return an entry that carries another unit with the number in bar (to 0.01) or °C (to 0.1); any other as it is.

    Examples
    --------
    >>> in_canonical_units("valve set 20 psi")
    'valve set 1.38 bar'
    >>> in_canonical_units("chill 36F")
    'chill 2.2 °C'
    """
    match = _SET.fullmatch(" ".join(entry.split()))
    if match is None:
        return entry
    word, unit = match[1].lower(), match[3].lower().lstrip("°")
    if unit not in _WORD[word]:
        return entry
    number = float(match[2].replace(",", "."))
    if word == "chill":
        return f"{word} {conversion(Quantity.TEMPERATURE, _CODES[unit]).convert(number):z.1f} °C"
    return f"{word} {conversion(Quantity.PRESSURE, _CODES[unit]).convert(number):z.2f} bar"
