"""A sensor that speaks twice an hour, or once: whatever the minute in which it does, the end is found."""

import numpy as np
import pytest

from tests.detectors.streams import SEALED, Batch, hours_in, keep, of, verdicts
from ullage.detectors.finding import Condition
from ullage.detectors.frames import came_by
from ullage.detectors.samples import Samples


def thinned(samples: Samples, every_min: int, minute: int) -> Samples:
    """Return of each quantity the readings of one minute in so many."""
    return keep(samples, np.floor(samples.time_s / 60) % every_min == minute)


@pytest.mark.parametrize("minute", [2, 13, 22, 29])
@pytest.mark.parametrize("every_min", [15, 30, 60])
def test_the_minute_in_which_it_speaks_changes_little(every_min: int, minute: int) -> None:
    """A sealed charge that is over, by its own law, after 77 h: called within some hours of what a reading a minute shows."""
    samples = Batch(vessel=SEALED, hours=160, total_g_per_l=5.0, tail_h=16.0).samples()
    (best,) = of(verdicts(SEALED, samples), Condition.FINISHED)
    (found,) = of(verdicts(SEALED, thinned(samples, every_min, minute % every_min)), Condition.FINISHED)
    assert hours_in(best) - 2 <= hours_in(found) <= hours_in(best) + 12


@pytest.mark.parametrize(
    ("before_s", "now_s", "due"),
    [
        (3000, 3600, True),
        (3600, 4200, False),
        (3000, 3700, True),
        (3700, 7100, False),
        (100, 9000, True),
        (50, 50, False),
    ],
)
def test_an_hour_has_come_by(before_s: float, now_s: float, due: bool) -> None:
    """Once for every whole hour between two looks, both ends as written."""
    assert came_by(before_s, now_s, 3600.0) is due
