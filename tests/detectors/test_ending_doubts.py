"""What speaks against an end: gas that goes, and a reading that came to rest as no yeast does."""

from dataclasses import dataclass, replace

import numpy as np
import pytest

from tests.detectors.streams import HOUR_S, SEALED, START_S, VALVED, Batch, feed, noisy, stream, watch_of
from ullage.detectors.activity import Activity
from ullage.detectors.detector import Detector
from ullage.detectors.ending_doubts import gas_goes, suddenly_still
from ullage.detectors.finding import Finding
from ullage.detectors.frames import Frame
from ullage.detectors.record import Record
from ullage.detectors.samples import Samples
from ullage.detectors.vessel import Vessel


@dataclass(frozen=True, slots=True)
class Doubt:
    """What spoke against an end after a frame in which production could be measured."""

    hour: float
    goes: bool
    still: bool


class Doubting(Detector):
    """Looks at the last twelve hours in which gas could not leave."""

    name = "doubting"

    def __init__(self, vessel: Vessel) -> None:
        super().__init__(vessel)
        self.doubts: list[Doubt] = []

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Look."""
        if record.valve.shut:
            production = record.production_over(record.valve.shut_s, 12.0)
            if production is not None:
                hour = (record.now_s - START_S) / HOUR_S
                goes = gas_goes(record, production, record.valve.shut_s)
                self.doubts.append(Doubt(hour, goes, suddenly_still(record, production)))
        return []


def doubts(vessel: Vessel, samples: Samples, *entries: tuple[float, str]) -> list[Doubt]:
    """Return what spoke against an end."""
    watch, doubting = watch_of(vessel), Doubting(vessel)
    watch._detectors = (Activity(vessel, Activity.Settings()), doubting)
    feed(watch, stream(samples, *((START_S + hour * HOUR_S, text) for hour, text in entries)))
    assert watch.failures == {}
    return doubting.doubts


def test_gas_that_goes_is_seen_while_it_goes() -> None:
    """A sealed vessel, done after a week, that loses two percent of its pressure an hour from then on; a tight one does not."""
    batch = Batch(vessel=SEALED, hours=220, total_g_per_l=6.0, tail_h=12)
    tight = doubts(SEALED, batch.samples())
    assert not any(one.goes for one in tight)
    leaking = doubts(SEALED, replace(batch, leak_per_h=0.02, leak_from_h=180).samples())
    assert not any(one.goes for one in leaking if one.hour < 180)
    assert all(one.goes for one in leaking if 192 < one.hour < 212)


@pytest.mark.parametrize(("dead_from_h", "doubted"), [(95.0, True), (300.0, False)])
def test_a_reading_that_has_not_moved_since_before_the_valve_was_shut_is_doubted(
    dead_from_h: float, doubted: bool
) -> None:
    """A sensor that died an hour before its valve was wound shut passes every test; one that is alive shows its noise."""
    at_h = np.arange(0.0, 120.0, 1 / 60)
    bar = np.interp(at_h, [10, 30], [0.0, 1.2])
    samples = noisy(at_h, bar, 19.0, seed=3)
    hours = (samples.time_s - START_S) / HOUR_S
    dead = (samples.kind == 1) & (hours >= dead_from_h)
    samples = replace(samples, value=np.where(dead, 1.2, samples.value))
    looks = doubts(VALVED, samples, (96.0, "valve shut"))
    late = [one for one in looks if one.hour > 106]
    assert late
    assert all(one.still is doubted for one in late)
