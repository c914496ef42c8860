"""What is said of a rate: an amount where one was measured, no number below nought."""

import pytest

from tests.detectors.streams import SEALED, Batch, of, verdicts
from ullage.detectors.finding import Condition


@pytest.mark.parametrize("seed", range(4))
def test_an_end_without_production_says_so(seed: int) -> None:
    """Half of all rates that are none come out below nought: the evidence says that there is none, and the most it can be."""
    batch = Batch(vessel=SEALED, hours=160, total_g_per_l=6.0, tail_h=12.0, stop_h=40.0)
    (found,) = of(verdicts(SEALED, batch.samples(seed=seed, noise_bar=0.004)), Condition.FINISHED)
    assert "-" not in " ".join(found.evidence)
    assert found.evidence[1].startswith("no production measurable, at most 0.")
