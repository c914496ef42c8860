"""What a drop is worth: between the head space's gas and all of the capacity, and what the teeth's bend tells of the beer."""

from dataclasses import dataclass

import pytest

from tests.detectors.streams import VALVED, watch_of
from tests.detectors.teeth_streams import IN_BEER, IN_GAS, Teeth, teeth
from ullage.detectors.activity import Activity
from ullage.detectors.detector import Detector
from ullage.detectors.drop_worth import MOST_RELEASED, bent, drop_share, exchange_h, released, worth_margin
from ullage.detectors.finding import Finding
from ullage.detectors.frames import Frame
from ullage.detectors.record import Record
from ullage.detectors.vessel import Vessel

HEAD = VALVED.head_space_l / VALVED.beer_volume_l * IN_GAS
LEAST = HEAD / (HEAD + IN_BEER)
"""Share of the capacity in balance that the head space's gas is, by the stream's own numbers."""


@dataclass(frozen=True, slots=True)
class Worth:
    """What was known after a frame."""

    share: float
    margin: float
    bent: bool
    exchange_h: float
    released: tuple[float, ...]
    """For tails of 5, 20, 80 and 320 h."""


class Weighing(Detector):
    """Keeps what a drop was worth, frame by frame."""

    name = "weighing"

    def __init__(self, vessel: Vessel) -> None:
        super().__init__(vessel)
        self.worth: list[Worth] = []

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Look at the record."""
        gone = tuple(released(record, tail_h) for tail_h in (5.0, 20.0, 80.0, 320.0))
        self.worth.append(
            Worth(drop_share(record), worth_margin(record), bent(record), exchange_h(record), gone)
        )
        return []


def weighed(batch: Teeth) -> list[Worth]:
    """Return what a drop was worth over a batch."""
    watch, weighing = watch_of(VALVED), Weighing(VALVED)
    watch._detectors = (Activity(VALVED, Activity.Settings()), weighing)
    watch.update(batch.samples)
    assert watch.failures == {}
    return weighing.worth


@pytest.mark.parametrize(("tail_h", "beer_h"), [(30.0, 4.0), (80.0, 12.0), (40.0, 30.0), (250.0, 400.0)])
def test_a_drop_is_worth_no_less_than_the_gas_above_and_no_more_than_all(
    tail_h: float, beer_h: float
) -> None:
    """At every moment, and so is what the beer gives off: none in a tail without end, and never the most of it."""
    batch = teeth(VALVED, days=6, rate_g_per_l_day=6.0, tail_h=tail_h, exchange_per_h=1 / beer_h)
    for worth in weighed(batch):
        assert 0.95 * LEAST <= worth.share <= 1.0
        assert worth.margin >= 1.0
        assert list(worth.released) == sorted(worth.released, reverse=True)
        assert 0.0 <= min(worth.released) <= max(worth.released) <= MOST_RELEASED


@pytest.mark.parametrize("beer_h", [4.0, 12.0])
def test_teeth_that_bend_tell_how_slowly_the_beer_gives_gas_off(beer_h: float) -> None:
    """Then a drop is the head space's alone, its error included, and the time is that of the stream, from below."""
    batch = teeth(VALVED, days=6, rate_g_per_l_day=6.0, tail_h=80.0, exchange_per_h=1 / beer_h)
    last = weighed(batch)[-1]
    assert last.bent
    assert LEAST <= last.share <= 1.4 * LEAST
    assert last.share / last.margin == pytest.approx(LEAST, rel=0.15)
    assert 0.6 * beer_h < last.exchange_h < 1.1 * beer_h


def test_straight_teeth_say_nothing_of_the_beer() -> None:
    """In beer that is in balance at once nothing is held back, and nothing is taken off."""
    batch = teeth(VALVED, days=4, rate_g_per_l_day=3.0, tail_h=200.0, exchange_per_h=float("inf"))
    for worth in weighed(batch):
        assert (worth.bent, worth.exchange_h, worth.margin) == (False, 0.0, 1.0)
        assert set(worth.released) == {0.0}
