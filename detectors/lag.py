"""How long the first gas may take: yeast takes longer to begin in the cold, and in must.

An ale shows gas within half a day or a day, a lager pitched at 8 to 10 °C within two to three days (common practice). Between
them the pace halves with ten kelvin, as growth does. Must is poor in what yeast needs to grow.
"""

import math

from ullage.detectors.batch import Beverage
from ullage.detectors.vessel import Vessel

WARM_H, WARM_C, COLD_C, HALVES_K = 36.0, 18.0, 8.0, 10.0
CIDER = 1.5
"""A cider is waited for so many times as long (common practice: one to three days)."""


def allowed_h(celsius: float, vessel: Vessel) -> float:
    """Return how long the first gas of a sound batch may take at this temperature, h."""
    colder_k = WARM_C - min(max(celsius, COLD_C), WARM_C)
    cider = vessel.batch is not None and vessel.batch.beverage is Beverage.CIDER
    return WARM_H * math.exp2(colder_k / HALVES_K) * (CIDER if cider else 1.0)


class Wait:
    """Adds up the wait for the first gas, each hour by the beer's temperature; or counts to the brewer's own number, if that is above 0."""

    def __init__(self, vessel: Vessel, within_h: float) -> None:
        self._vessel = vessel
        self._within_h = within_h
        self._share = 0.0
        self._since_s = self._last_s = math.nan

    def take(self, now_s: float, since_s: float, celsius: float) -> None:
        """Come to a moment of a wait that began at `since_s`; a later beginning starts it anew."""
        if since_s != self._since_s:
            self._since_s = self._last_s = since_s
            self._share = 0.0
        self._share += (now_s - self._last_s) / 3600 / self._allowed_h(celsius)
        self._last_s = now_s

    @property
    def over(self) -> bool:
        """Tell whether gas should have come by now."""
        return self._share >= 1

    @property
    def limit_h(self) -> float:
        """How long the wait was meant to be, at the temperatures so far, h."""
        return self._within_h if self._within_h > 0 else (self._last_s - self._since_s) / 3600 / self._share

    def _allowed_h(self, celsius: float) -> float:
        return self._within_h if self._within_h > 0 else allowed_h(celsius, self._vessel)
