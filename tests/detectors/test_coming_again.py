"""CO2 that comes again after the end: production in warm beer, and not a bottle that was connected."""

import numpy as np
import pytest

from tests.detectors.streams import (
    SEALED,
    Batch,
    capacity_g_per_l_bar,
    merged,
    noisy,
    of,
    stream,
    verdicts,
)
from ullage.detectors.finding import Condition

CHARGED = Batch(vessel=SEALED, hours=150, total_g_per_l=3.0, tail_h=12.0)


@pytest.mark.parametrize(
    ("celsius", "bottle", "taken_back"),
    [
        pytest.param(19.0, False, True, id="production"),
        pytest.param(19.0, True, False, id="a bottle"),
        pytest.param(1.0, True, False, id="a bottle on cold beer"),
        pytest.param(1.0, False, False, id="gas bit by bit on cold beer"),
    ],
)
def test_gas_after_the_end(celsius: float, bottle: bool, taken_back: bool) -> None:
    """Half a bar within minutes and then no more, or 3 g/L a day for a day; the beer chilled within half a day or kept warm."""
    before = CHARGED.samples()
    at_h = np.arange(0.0, 60.0, 1 / 60)
    since_h = np.clip(at_h - 30, 0, None)
    cooled = np.clip(at_h / 12, 0, 1) * (19.0 - celsius)
    held = CHARGED.made_g_per_l(np.array([150.0]))[0] + capacity_g_per_l_bar(SEALED, 19.0) * 1.01325
    held = held + (0.0 if bottle else 1.0) * np.minimum(3.0 * since_h / 24, 3.0)
    at_degrees = {
        degrees: capacity_g_per_l_bar(SEALED, degrees) for degrees in np.unique(np.round(19.0 - cooled, 1))
    }
    capacity = np.array([at_degrees[degrees] for degrees in np.round(19.0 - cooled, 1)])
    bars = held / capacity - 1.01325 + (np.minimum(since_h * 3, 0.5) if bottle else 0.0)
    after = noisy(at_h, bars, 19.0 - cooled, seed=4, start_s=float(before.time_s[-1]) + 60)
    found = of(
        verdicts(SEALED, stream(merged(before, after))), Condition.FINISHED, Condition.STILL_FERMENTING
    )
    assert found[0].condition is Condition.FINISHED
    assert (Condition.STILL_FERMENTING in [one.condition for one in found]) is taken_back
