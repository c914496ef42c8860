"""What is said of a pressure that was read long ago."""

import numpy as np

from tests.detectors.streams import HOUR_S, START_S, VALVED, pressure, watch_of
from ullage.detectors.old_gauge import old_gauge


def test_a_pressure_of_hours_ago_is_called_old() -> None:
    """From two hours on, with its age."""
    watch = watch_of(VALVED, ())
    watch.update(pressure(START_S + 60.0 * np.arange(90), np.full(90, 1.0)))
    read_s = watch.record.now_s
    assert read_s > START_S + HOUR_S
    assert old_gauge(read_s + 2 * HOUR_S, watch.record) == ""
    assert old_gauge(read_s + 5 * HOUR_S, watch.record) == (
        " That pressure was read 5 h ago: go by the vessel's gauge."
    )
