"""Which way a reading goes: rising, steady or falling over the last two hours."""

import numpy as np

from ullage.adapters.reading import Quantity
from ullage.daemon.store.store import Store
from ullage.detectors.samples import FloatArray, Kind

OVER_S = 2 * 3600.0
LEAST_S = 1200.0
STEADY_PER_H = {Quantity.TEMPERATURE: 0.15, Quantity.PRESSURE: 0.015}
"""Slopes, in the quantity's unit an hour, that a sensor's noise and a fridge's swing make without anything going on."""
_KINDS = {Quantity.TEMPERATURE: Kind.TEMPERATURE, Quantity.PRESSURE: Kind.PRESSURE}
RISING, STEADY, FALLING = "rising", "steady", "falling"


def trends(store: Store, vessel: str, newest_s: float) -> dict[Quantity, str]:
    """Return a word for each quantity of which enough is known.

    Raises
    ------
    StoreError
        If the database refuses.
    """
    samples = store.samples(vessel, newest_s - OVER_S, newest_s + 1)
    found: dict[Quantity, str] = {}
    for quantity, kind in _KINDS.items():
        rows = samples.kind == kind
        word = _word(samples.time_s[rows], samples.value[rows], STEADY_PER_H[quantity])
        if word:
            found[quantity] = word
    return found


def _word(time_s: FloatArray, value: FloatArray, steady_per_h: float) -> str:
    if len(time_s) < 5 or time_s[-1] - time_s[0] < LEAST_S:
        return ""
    hours = (time_s - time_s[-1]) / 3600
    slope = float(np.polyfit(hours, value, 1)[0])
    if abs(slope) <= steady_per_h:
        return STEADY
    return RISING if slope > 0 else FALLING
