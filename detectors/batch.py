"""What the brewer wants of a batch: the beverage, the plan of temperatures, carbonation, serving, finings.

Everything but the name may be left out; what is known sharpens advice and waits. Carbonation is kept as it was written,
so that a brewer who thinks in volumes meets volumes again.
"""

import re
from dataclasses import dataclass
from enum import StrEnum

from ullage.detectors.plan import Plan, parse_plan
from ullage.detectors.volumes import G_PER_VOLUME

SERVING_C = 6.0
"""Taken where the brewer says nothing: a cool glass (common practice 4 to 12 °C)."""
COLD_C = 2.0
"""Where the chill is taken to end when neither plan nor journal says it (common practice: 0 to 4 °C)."""
_CARBONATION = re.compile(r"\s*(\d+(?:[.,]\d+)?)\s*(g/l|volumes?|vol)\s*", re.IGNORECASE)
_DOSES = {"yes": 2, "true": 2, "twice": 2, "once": 1, "no": 0, "false": 0}


class Beverage(StrEnum):
    """What is being fermented."""

    ALE = "ale"
    LAGER = "lager"
    CIDER = "cider"
    OTHER = "other"


def carbonation_g_per_l(text: str) -> float:
    """Return g/L for "5.0 g/L" or "2.5 volumes".

    Raises
    ------
    ValueError
        If it is neither, or more than any beer holds.
    """
    match = _CARBONATION.fullmatch(text)
    if match is None:
        raise ValueError(f'carbonation "{text}" must be written as in "5.0 g/L" or "2.5 volumes"')
    number = float(match[1].replace(",", "."))
    grams = number if match[2].lower() == "g/l" else number * G_PER_VOLUME
    if not 0.5 <= grams <= 15:
        raise ValueError(f'carbonation "{text}" must lie between 0.5 and 15 g/L (0.25 and 7.6 volumes)')
    return grams


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """One batch as the brewer wants it.

    Raises
    ------
    ValueError
        If a value can't be; the sentence names field, value and limit.
    """

    name: str = ""
    beverage: Beverage = Beverage.ALE
    yeast_temperature_c: tuple[float, float] | None = None
    """The yeast maker's range; the vessel's own if left out."""
    original_gravity: float | None = None
    plan: str = ""
    """Temperatures in order: `16 for 3 days, 20, rest 22 for 2 days, chill 1`."""
    carbonation: str = ""
    """`5.0 g/L` or `2.5 volumes`; empty if it does not matter."""
    serving_c: float = SERVING_C
    finings: str = ""
    """`yes` (two doses), `once` or `no`; if left out: no for cider, else yes."""

    def __post_init__(self) -> None:
        if self.yeast_temperature_c is not None:
            low, high = self.yeast_temperature_c
            if not -5 <= low < high <= 45:
                raise ValueError(
                    f"yeast_temperature_c [{low:g}, {high:g}] must run from low to high within -5 to 45 °C"
                )
        if self.original_gravity is not None and not 1.0 < self.original_gravity < 1.2:
            raise ValueError(f"original_gravity {self.original_gravity:g} must lie between 1.000 and 1.200")
        if not -2 <= self.serving_c <= 25:
            raise ValueError(f"serving_c {self.serving_c:g} °C must lie between -2 and 25 °C")
        if self.finings and self.finings not in _DOSES:
            raise ValueError(f'finings "{self.finings}" must be yes, once or no')
        if len(self.name) > 100 or not (self.name == "" or self.name.isprintable()):
            raise ValueError("name must be at most 100 printable characters")
        if self.carbonation:
            carbonation_g_per_l(self.carbonation)
        parse_plan(self.plan)

    @property
    def doses(self) -> int:
        """How many doses of finings are wanted; cider needs none (common practice)."""
        return _DOSES[self.finings] if self.finings else (0 if self.beverage is Beverage.CIDER else 2)

    @property
    def wanted_g_per_l(self) -> float | None:
        """Carbonation wanted, g/L."""
        return carbonation_g_per_l(self.carbonation) if self.carbonation else None

    @property
    def temperatures(self) -> Plan:
        """The plan, read."""
        return parse_plan(self.plan)

    @property
    def cold_c(self) -> float:
        """Where the chill is to end."""
        chill_c = self.temperatures.chill_c
        return COLD_C if chill_c is None else chill_c
