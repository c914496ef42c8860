"""What a brewer wishes of a batch, and the plan of its temperatures."""

import pytest

from ullage.detectors.batch import Batch, Beverage, carbonation_g_per_l
from ullage.detectors.journal import STAGES, Word, understand
from ullage.detectors.plan import PlanStep, Wanted, parse_plan
from ullage.detectors.stage import Stage
from ullage.detectors.vessel import Vessel


@pytest.mark.parametrize(
    ("text", "grams"),
    [("5.0 g/L", 5.0), ("5 g/l", 5.0), ("2,5 volumes", 2.5 * 1.9635), ("1 volume", 1.9635), ("3vol", 5.8905)],
)
def test_carbonation_is_read_in_both_measures(text: str, grams: float) -> None:
    """One volume is 44.0095/22.414 g/L: an ideal gas at 0 °C and 1 atm, by definition."""
    assert carbonation_g_per_l(text) == pytest.approx(grams, rel=1e-9)


@pytest.mark.parametrize("text", ["", "5", "5 g", "20 g/L", "0.1 volumes", "five g/L"])
def test_other_carbonation_is_refused(text: str) -> None:
    """A number without its measure could be either."""
    with pytest.raises(ValueError, match="carbonation"):
        carbonation_g_per_l(text)


def test_plan_is_read_in_order() -> None:
    """Steps with their length, the last until the end; a rest; a chill."""
    plan = parse_plan(" 16 for 3 days, 18 °C for 12 h,20 , rest 22 for 1 day, chill -0.5 ")
    assert plan.steps == (PlanStep(16, 72), PlanStep(18, 12), PlanStep(20, None))
    assert plan.rest == PlanStep(22, 24)
    assert plan.chill_c == -0.5
    assert [(move.due_s, move.to_c) for move in plan.moves(0.0)] == [
        (72 * 3600.0, plan.steps[1].temperature_c),
        (84 * 3600.0, plan.steps[2].temperature_c),
    ]
    assert parse_plan("") == parse_plan(" , ")


@pytest.mark.parametrize(
    ("hours", "celsius", "low_c", "high_c"),
    [
        (-5, 16, 16, 16),
        (59, 16, 16, 16),
        (61, 16, 16, 18),  # half a day early is not too early
        (71, 16, 16, 18),
        (73, 18, 16, 20),  # the second step is short: the third may be set already
        (85, 20, 16, 20),
        (97, 20, 18, 20),  # a day has gone by since the first was over
        (109, 20, 20, 20),
    ],
)
def test_between_two_steps_both_are_wanted(hours: float, celsius: float, low_c: float, high_c: float) -> None:
    """From half a day before a step is due until a day after it, the beer may be on its way."""
    wanted = parse_plan("16 for 3 days, 18 for 12 h, 20, chill 1").wanted(0.0, hours * 3600.0)
    assert wanted == Wanted(celsius=celsius, low_c=low_c, high_c=high_c)
    assert parse_plan("chill 1").wanted(0.0, hours * 3600.0) is None


@pytest.mark.parametrize(
    "text", ["warm", "20, 22", "chill 1, 20", "rest 22, 20", "99", "chill 1, rest 20", "20 for 3 weeks"]
)
def test_a_plan_that_can_t_be_is_refused(text: str) -> None:
    """In words that name the part."""
    with pytest.raises(ValueError, match="plan"):
        parse_plan(text)


def test_cider_needs_no_finings_unless_they_are_wanted() -> None:
    """Common practice."""
    assert Batch(beverage=Beverage.CIDER).doses == 0
    assert Batch(beverage=Beverage.CIDER, finings="yes").doses == 2
    assert Batch().doses == 2
    assert (Batch(finings="once").doses, Batch(finings="no").doses) == (1, 0)


def test_the_batch_wins_over_the_vessel() -> None:
    """Yeast range and original gravity; what the batch leaves out stays."""
    vessel = Vessel(
        name="n", total_volume_l=23, beer_volume_l=19, rated_pressure_bar=3, yeast_temperature_c=(18, 24)
    )
    carried = vessel.carrying(Batch(original_gravity=1.06))
    assert (carried.yeast_temperature_c, carried.original_gravity) == ((18, 24), 1.06)
    assert vessel.carrying(Batch(yeast_temperature_c=(9, 14))).yeast_temperature_c == (9, 14)
    assert carried.carrying(None).batch is None


def test_the_journal_knows_every_stage() -> None:
    """In the words in which they are shown."""
    assert tuple(stage.value for stage in Stage) == STAGES
    for stage in STAGES:
        known = understand(f"  Stage  {stage.upper()} ")
        assert known is not None
        assert (known.word, known.rest) == (Word.STAGE, stage)
    assert understand("stage ready to drink") is None


def test_the_journal_knows_samples_and_snoozes() -> None:
    """With their numbers; what can't be a gravity is a note."""
    known = understand("gravity 1.0121 refractometer")
    assert known is not None
    assert (known.word, known.number, known.rest) == (Word.GRAVITY, 1.0121, "refractometer")
    plain = understand("gravity 1.012")
    assert plain is not None
    assert plain.rest == "hydrometer"
    assert understand("gravity 12") is None
    snooze = understand("snooze")
    assert snooze is not None
    assert snooze.number is None
