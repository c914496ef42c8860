"""How production dies away behind a cycling valve: as yeast does, as beer gives gas off, or all at once."""

from dataclasses import dataclass

import numpy as np

from tests.detectors.streams import HOUR_S, START_S, VALVED, every, merged, pressure, temperature, watch_of
from tests.detectors.teeth_streams import CELSIUS, teeth
from ullage.detectors.activity import Activity
from ullage.detectors.detector import Detector
from ullage.detectors.fading import abrupt, fades, given_off
from ullage.detectors.finding import Finding
from ullage.detectors.frames import Frame
from ullage.detectors.late_halves import LateHalves
from ullage.detectors.let_off import LetOff
from ullage.detectors.record import Record
from ullage.detectors.samples import Kind, Samples
from ullage.detectors.vessel import Vessel


@dataclass(frozen=True, slots=True)
class Seen:
    """How it looked after a frame."""

    hour: float
    fades: bool
    given_off: bool
    abrupt: bool


class Looking(Detector):
    """Keeps how production dies away, frame by frame."""

    name = "looking"

    def __init__(self, vessel: Vessel) -> None:
        super().__init__(vessel)
        self._let_off, self._late_halves = LetOff(), LateHalves()
        self.seen: list[Seen] = []

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Take the frame's drops, and look."""
        self._let_off.take(record)
        if record.valve.shut:
            self._late_halves.watch(record, record.valve.shut_s)
        self.seen.append(
            Seen(
                (record.now_s - START_S) / HOUR_S,
                fades(record, self._let_off),
                given_off(record, self._let_off),
                abrupt(record, self._let_off, self._late_halves),
            )
        )
        return []


def seen(samples: Samples) -> list[Seen]:
    """Return how a batch looked."""
    watch, looking = watch_of(VALVED), Looking(VALVED)
    watch._detectors = (Activity(VALVED, Activity.Settings()), looking)
    watch.update(samples)
    assert watch.failures == {}
    return looking.seen


def test_a_fermentation_fades_as_yeast_does() -> None:
    """A tail of a third of the age, over beer that exchanges within hours: no sudden end, and more than what beer gives off."""
    batch = teeth(VALVED, days=6, rate_g_per_l_day=6.0, tail_h=30.0, exchange_per_h=1 / 4)
    for late in [one for one in seen(batch.samples) if one.hour > 72]:
        assert (late.fades, late.given_off, late.abrupt) == (True, False, False)


def test_what_beer_gives_off_after_the_yeast_is_known_for_that() -> None:
    """Production has gone within a day; what comes for days after it comes as slowly as the beer exchanges."""
    batch = teeth(VALVED, days=3, rate_g_per_l_day=12.0, tail_h=6.0, exchange_per_h=1 / 12)
    looks = seen(batch.samples)
    assert not any(one.given_off for one in looks if one.hour < 24)
    assert all(one.given_off for one in looks if one.hour > 54)


def test_what_ends_all_at_once_is_doubted_for_a_day() -> None:
    """A leak as large as production, from the fourth day on: yeast does not go to rest within an hour. Production that fades on
    shows through it again within the day."""
    batch = teeth(VALVED, days=4, rate_g_per_l_day=4.0, tail_h=60.0, exchange_per_h=1 / 4)
    bars = batch.samples.value[batch.samples.kind == Kind.PRESSURE]
    at = every(60, 40, START_S + 96 * HOUR_S)
    still = bars[-1] + 0.0005 * np.random.default_rng(2).standard_normal(len(at))
    leaking = merged(batch.samples, pressure(at, still), temperature(at, np.full(len(at), CELSIUS)))
    looks = seen(leaking)
    assert not any(one.abrupt for one in looks if 90 < one.hour < 96)
    assert all(one.abrupt and not one.fades for one in looks if 100 < one.hour < 106)
    assert not any(one.fades or one.abrupt for one in looks if one.hour > 122)
