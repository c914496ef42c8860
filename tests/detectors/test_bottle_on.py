"""A bottle on cold beer is seen by its jump; gas that comes back after a vent, or with warmth, is none.

Pressures are written out; solubility is checked against the charts in tests/reference.
"""

import numpy as np
import pytest

from tests.detectors.streams import SEALED, noisy, watch_of
from ullage.detectors.bottle_on import BottleOn, bottle_on
from ullage.detectors.co2 import dissolved_g_per_l
from ullage.detectors.samples import FloatArray

JUMP_H = 150.0
AT_H = np.arange(0.0, 160.0, 1 / 60)
SINCE_H = np.maximum(AT_H - JUMP_H, 0)


def seen(bars: FloatArray, celsius: FloatArray | float = 2.0) -> BottleOn | None:
    """Return what is seen after ten hours of a pressure."""
    watch = watch_of(SEALED)
    watch.update(noisy(AT_H, bars, celsius, seed=6))
    return bottle_on(watch.record)


def test_a_jump_is_a_bottle_and_what_was_held_before_is_kept() -> None:
    """From 0.35 to 0.69 bar within minutes at 2 °C."""
    found = seen(0.35 + 0.34 * np.minimum(SINCE_H * 12, 1))
    assert found is not None
    assert found.before_g_per_l == pytest.approx(float(dissolved_g_per_l(0.35, 2.0)), abs=0.05)
    assert found.hours == pytest.approx(10, abs=0.6)


def test_gas_that_comes_back_after_a_vent_is_no_bottle() -> None:
    """Vented from 0.79 to 0.5 bar for a dose: the beer gives back 0.2 bar over hours."""
    vented = np.where(AT_H < JUMP_H, 0.79, 0.5 + 0.2 * (1 - np.exp(-SINCE_H / 3)))
    assert seen(vented) is None


def test_beer_that_warms_up_is_no_bottle() -> None:
    """From 2 to 12 °C a shut vessel rises by 0.5 bar."""
    assert seen(0.35 + 0.05 * SINCE_H, 2.0 + SINCE_H) is None


def test_a_flat_gauge_is_no_bottle() -> None:
    """Nothing has happened."""
    assert seen(np.full(len(AT_H), 0.35)) is None
