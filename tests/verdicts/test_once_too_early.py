"""Batches that were once called over too early, each for a reason of its own: never again."""

import pytest

from tests.verdicts import judges
from tests.verdicts.generator import make_batch
from ullage.detectors.finding import Condition

ENOUGH_G_PER_L = 0.4
"""CO2 that may still come at the end, about 0.1 °P."""


@pytest.mark.parametrize(
    ("kind", "seed"),
    [
        pytest.param(
            "valve_turned", 18, id="one bent tooth made every drop worth the head space's gas alone"
        ),
        pytest.param("valve_turned", 22, id="the same by four teeth that differ"),
        pytest.param("gap", 27, id="slopes of teeth that fall by what the beer gives off"),
        pytest.param(
            "leak_before", 19, id="a leak that hides production, and closes: teeth come faster again"
        ),
        pytest.param("coarse_sensor", 9, id="a slow last sugar behind a tail that had been fast"),
        pytest.param("coarse_sensor", 17, id="two teeth drawn out looked like half the production"),
        pytest.param("gap", 45, id="drops near the least that is found: gas left between them"),
        pytest.param(
            "coarse_sensor", 1000068, id="drops of three steps of a converter: those of two were missed"
        ),
        pytest.param("smooth_nobody", 1000072, id="a smooth valve that stuck three times in nine days"),
        pytest.param("resume_on_warming", 1000025, id="a stall by cold, at the edge of the yeast's range"),
    ],
)
def test_not_over_while_much_is_to_come(kind: str, seed: int) -> None:
    """`finished` comes no sooner than the truth: at most 0.4 g/L to come."""
    batch = make_batch(kind, seed)
    over = [one for one in judges.watch(batch) if one.condition is Condition.FINISHED]
    assert all(batch.truth.co2_to_come(one.time_s) <= ENOUGH_G_PER_L for one in over)


def test_what_was_taken_back_is_not_called_over_again_by_the_silence_before() -> None:
    """Warmed after days of sleep, gas came again: `finished` stood for two days by a window that was mostly the sleep."""
    batch = make_batch("resume_on_warming", 1000211)
    said = [
        one
        for one in judges.watch(batch)
        if one.condition in (Condition.FINISHED, Condition.STILL_FERMENTING)
    ]
    assert [one.condition for one in said] == [
        Condition.FINISHED,
        Condition.STILL_FERMENTING,
        Condition.FINISHED,
    ]
    assert batch.truth.co2_to_come(said[-1].time_s) <= ENOUGH_G_PER_L
