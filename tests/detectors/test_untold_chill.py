"""A chill that nobody announced, by temperatures written out here."""

from dataclasses import replace

import pytest

from tests.detectors.streams import VALVED
from ullage.detectors.record import Record
from ullage.detectors.stage import Stage, StageChange
from ullage.detectors.untold_chill import UntoldChill
from ullage.detectors.vessel import Vessel

DAY_S = 86_400.0
WARM_C, COUNTS_AS_COLD_C = 20.0, 5.0
ALE = replace(VALVED, yeast_temperature_c=(18.0, 22.0))
ANY_YEAST = replace(VALVED, yeast_temperature_c=None)


def seen(
    vessel: Vessel, stage: Stage, beer_c: float, *, since_s: float = 0.0
) -> tuple[UntoldChill, str | None]:
    """Return what is said of beer that was at 20 °C for two days and is at `beer_c` on the third, in a stage since then."""
    record, chill = Record(vessel), UntoldChill()
    record.activity_s = 0.0
    record.stages = (StageChange(stage=stage, since_s=since_s, why="the story"),)
    said = None
    for day, celsius in ((1, WARM_C), (2, WARM_C), (3, beer_c)):
        record.thermometer.beer_c = celsius
        chill.take(day * DAY_S, celsius)
        said = chill.evidence(record, day * DAY_S, COUNTS_AS_COLD_C)
    return chill, said


@pytest.mark.parametrize(("beer_c", "told"), [(17.6, False), (17.4, False), (16.9, True)])
def test_beer_that_slows_is_chilled_below_its_range(beer_c: float, told: bool) -> None:
    """Three kelvin down and half a kelvin below 18 °C."""
    assert (seen(ALE, Stage.SLOWING, beer_c)[1] is not None) is told


@pytest.mark.parametrize(("beer_c", "told"), [(14.0, False), (8.1, False), (7.9, True)])
def test_beer_at_its_height_has_to_be_colder_than_a_fridge_that_ran_away(beer_c: float, told: bool) -> None:
    """So has beer that slowed down only when it was cold already: the cold may be why."""
    assert (seen(ALE, Stage.HELD, beer_c)[1] is not None) is told
    assert (seen(ALE, Stage.SLOWING, beer_c, since_s=2.5 * DAY_S)[1] is not None) is told


def test_where_nobody_knows_the_range_five_kelvin_are_a_chill() -> None:
    """Of beer that has slowed down."""
    assert seen(ANY_YEAST, Stage.SLOWING, 15.1)[1] is None
    assert seen(ANY_YEAST, Stage.SLOWING, 14.9)[1] == "the beer is at 14.9 °C, down from 20.0 °C"


def test_beer_that_comes_back_was_not_chilled() -> None:
    """To within a kelvin and a half of where it came from."""
    chill, _ = seen(ALE, Stage.SLOWING, 16.0)
    assert not chill.undone(18.4)
    assert chill.undone(18.5)
