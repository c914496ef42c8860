"""A gravity as a brewer writes it: 1.048, 1048, 12P or 12 °P; always SG within."""

import re

from ullage.adapters.errors import ConfigError
from ullage.detectors.extract import plato_from_sg, sg_from_plato

_PLATO = re.compile(r"(-?\d+(?:[.,]\d+)?)\s*°?\s*P", re.IGNORECASE)
_GRAVITY = re.compile(r"[01][.,]\d{2,4}|1[01]\d\d|99\d")
_HINT = "write 1.048 for specific gravity or 12P for degrees Plato"


def parse_gravity(text: str, what: str) -> float:
    """Return the specific gravity that `text` says.

    Raises
    ------
    ConfigError
        If it says none; `what` says where it was given.
    """
    text = text.strip()
    if match := _PLATO.fullmatch(text):
        plato = float(match[1].replace(",", "."))
        if not -4 <= plato <= 40:
            raise ConfigError(what, f"{text!r} must lie between -4 and 40 °P", _HINT)
        return sg_from_plato(plato)
    if not _GRAVITY.fullmatch(text):
        raise ConfigError(what, f"{text!r} is no gravity", _HINT)
    gravity = float(text.replace(",", "."))
    return gravity / 1000 if gravity > 2 else gravity


def gravity_text(gravity: float) -> str:
    """Return `1.048 (11.9 °P)`."""
    return f"{gravity:.3f} ({plato_from_sg(gravity):.1f} °P)"
