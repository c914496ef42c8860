"""The scorer on judges whose right and wrong is known beforehand."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.verdicts.__main__ import main
from tests.verdicts.figures import figures, quantile
from tests.verdicts.generator import make_batch
from tests.verdicts.judges import slope_rule, unchanged_rule
from tests.verdicts.score import over_moments, score
from tests.verdicts.stage_score import stage_delays, stage_table
from tests.verdicts.truth import Batch
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.samples import Kind


def say(time_s: float, condition: Condition, state: State = State.NOTED) -> Finding:
    return Finding(
        time_s=time_s, vessel="bench", condition=condition, state=state, priority=Priority.LOW, text=""
    )


@pytest.fixture(scope="module")
def tested() -> Batch:
    return make_batch("smooth_test", 0)


def test_a_call_at_nine_tenths_is_too_early_and_no_delay(tested: Batch) -> None:
    """What is said before the truth is an early call, and does not count as the call that was due."""
    out = score(tested, [say(tested.truth.ninety_s, Condition.FINISHED)])
    assert out.early
    assert out.early_to_come > 0.4
    assert out.delay_h == math.inf


def test_a_call_after_the_evidence_has_its_delay(tested: Batch) -> None:
    """Five hours after the later of truth and evidence are five hours."""
    due = max(tested.truth.end_s, tested.truth.evidence_s)
    out = score(tested, [say(due + 5 * 3600, Condition.FINISHED)])
    assert not out.early
    assert out.delay_h == pytest.approx(5)


def test_early_tests_are_timed_and_taking_back_is_noticed(tested: Batch) -> None:
    """An answer an hour after the valve was shut is in time; going back on a right verdict is noted."""
    t = tested.truth
    late = max(t.end_s, t.evidence_s)
    out = score(
        tested,
        [
            say(t.early_tests[0].from_s + 3600, Condition.STILL_FERMENTING),
            say(late + 3600, Condition.FINISHED),
            say(late + 7200, Condition.STILL_FERMENTING),
        ],
    )
    assert out.test_answer_h[0] == pytest.approx(1.0)
    assert out.withdrawn
    assert out.still_for_good


def test_alarms_without_cause_are_nuisances_and_called_for_ones_are_not() -> None:
    """A leak alarm in a sound batch is a nuisance, after the leak's start it is the answer."""
    sound = make_batch("cycling", 1)
    alarm = say(sound.truth.end_s, Condition.LEAK, State.RAISED)
    assert score(sound, [alarm]).nuisance == ("leak",)
    leaking = make_batch("leak_after", 1)
    found = say(leaking.truth.leak_visible_s + 3600, Condition.LEAK, State.RAISED)
    out = score(leaking, [found])
    assert out.nuisance == ()
    assert out.leak_h == pytest.approx(1)


def test_over_pressure_counts_from_the_second_reading() -> None:
    """Raised at the second reading is in time, at the third one late, on a lone reading false."""
    batch = make_batch("stuck_valve", 1)
    first = over_moments(batch)[0]
    at = batch.time_s[batch.codes == Kind.PRESSURE]
    row = int(np.searchsorted(at, first))
    assert score(batch, [say(first, Condition.OVER_PRESSURE, State.RAISED)]).over_delay_readings == 0
    later = [say(float(at[row + 1]), Condition.OVER_PRESSURE, State.RAISED)]
    assert score(batch, later).over_delay_readings == 1
    assert score(batch, []).over_delay_readings == 10**9
    assert score(batch, [say(float(at[10]), Condition.OVER_PRESSURE, State.RAISED)]).over_false == 1


def test_plain_rules_call_a_plateau_the_end() -> None:
    """Behind a smooth valve both rules call the end on the first plateau (the reason for all of this)."""
    batches = [make_batch("smooth_nobody", seed) for seed in range(4)]
    for rule in (slope_rule, unchanged_rule):
        assert sum(score(b, rule(b)).early for b in batches) >= 2


def test_figures_tell_a_good_score_from_a_bad_one(tested: Batch) -> None:
    """One early call spoils the first figure; none meets it."""
    good = score(tested, [say(max(tested.truth.end_s, tested.truth.evidence_s) + 3600, Condition.FINISHED)])
    bad = replace(good, early=True)
    assert [figures([o])[0].met for o in (good, bad)] == [True, False]
    assert figures([good])[1].met


def test_quantile_takes_misses_for_what_they_are() -> None:
    """The median of one hit and two misses is a miss."""
    assert quantile([1.0, math.inf, math.inf], 0.5) == math.inf
    assert quantile([1.0, 2.0, math.inf], 0.5) == 2.0


def test_stages_come_in_the_order_of_the_trade() -> None:
    """What truly happened: gas after pitching, the valve, the fall to a third, the end, and the chill after it."""
    true = make_batch("chill_after_end", 1).truth.stage_s
    order = ["lag", "active", "held at pressure", "slowing", "finished", "chilling", "cold"]
    assert list(true) == order
    assert list(true.values()) == sorted(true.values())
    assert "held at pressure" not in make_batch("sealed_small", 1).truth.stage_s
    assert set(make_batch("never_starts", 1).truth.stage_s) == {"lag"}


def test_slowing_is_a_third_of_the_highest_rate(tested: Batch) -> None:
    """By the course of what was made, as a mean of six hours."""
    truth = tested.truth
    hours = np.arange(truth.start_s, truth.end_s, 3600.0)
    highest = max(truth.rate(hour, 6.0) for hour in hours.tolist())
    assert truth.rate(truth.stage_s["slowing"], 6.0) == pytest.approx(highest / 3, rel=0.1)


def test_delays_of_stages(tested: Batch) -> None:
    """Late, early, never shown, never true; what an empty vessel was called before pitching does not count."""
    true = tested.truth.stage_s
    seen = [
        ("lag", true["lag"] - 9e5),
        ("pitched", true["lag"]),
        ("lag", true["lag"] + 3600),
        ("active", true["active"] + 2 * 3600),
        ("slowing", true["slowing"] - 3 * 3600),
        ("chilling", true["finished"]),
    ]
    found = dict(stage_delays(tested, seen))
    assert found["lag"] == pytest.approx(1)
    assert found["active"] == pytest.approx(2)
    assert found["slowing"] == pytest.approx(-3)
    assert (found["held at pressure"], found["chilling"]) == (math.inf, -math.inf)
    over = [("finished", tested.truth.end_s + 3600)]
    assert dict(stage_delays(tested, over, dated=True))["finished"] == pytest.approx(1)
    table = stage_table(
        [
            replace(
                score(tested, []),
                stage_delay_h=tuple(found.items()),
                stage_dated_h=stage_delays(tested, over, dated=True),
            )
        ]
    )
    rows = {tuple(line.split()[:2]): line for line in table.splitlines()}
    assert "100 %" in rows["active", "smooth"]
    assert "0 %" in rows["held", "at"]


def test_command_prints_the_table(capsys: pytest.CaptureFixture[str]) -> None:
    """One small run from the command line gives a line per kind and a verdict per figure."""
    assert main(["--per-kind", "1", "--kinds", "stuck_valve", "--jobs", "1"]) == 0
    text = capsys.readouterr().out
    assert "stuck_valve" in text
    assert "met      over-pressure raised by the second reading: 1 of 1" in text
    assert "stages, hours after the truth" in text
