"""The gravity at which a batch ended: a sample of then or later, else the floating sensor's; an early sample is none."""

from dataclasses import dataclass

import numpy as np

from ullage.adapters.reading import Quantity
from ullage.daemon.gravity_report import samples_of
from ullage.daemon.store.store import Store
from ullage.detectors.gravity import GRAVITIES

BEFORE_S = 86_400.0
"""A sample that was taken so shortly before the end is one of the end: what was to come then is less than it can show."""
FLOAT_S = 2 * 86_400.0
"""How long after the end a floating sensor is listened to: later it may stick to the wall or lie in an empty keg."""
LEAST_BINS = 12
"""Of ten minutes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FinalGravity:
    """Specific gravity, and what it rests on."""

    gravity: float
    basis: str


def final_gravity(
    store: Store, vessel: str, began_s: float, over_s: float | None, end_s: float
) -> FinalGravity | None:
    """Return the final gravity of a batch; None if nothing tells it.

    Parameters
    ----------
    store
        The database.
    vessel
        Its name.
    began_s, end_s
        The batch, Unix seconds.
    over_s
        Since when fermentation has been over; None where that is not known: then the last sample is all there is.

    Raises
    ------
    StoreError
        If the database refuses.
    """
    samples = [sample for sample in samples_of(store, vessel, began_s) if sample.time_s <= end_s]
    if samples and over_s is None:
        return FinalGravity(gravity=samples[-1].gravity, basis="the last sample; the end was not proved")
    if over_s is None:
        return None
    if samples and samples[-1].time_s >= over_s - BEFORE_S:
        return FinalGravity(gravity=samples[-1].gravity, basis=samples[-1].instrument.value)
    bins = store.coarse(vessel, Quantity.GRAVITY, over_s, min(end_s, over_s + FLOAT_S))
    sane = bins.mean[(bins.mean >= GRAVITIES[0]) & (bins.mean <= GRAVITIES[1])]
    if len(sane) < LEAST_BINS:
        return None
    return FinalGravity(gravity=float(np.median(sane)), basis="floating sensor")
