"""What the report says of numbers and rules: something for everything that can be told."""

import os
import re
from dataclasses import replace
from pathlib import Path

import pytest

from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.report.meaning import NUMBERS, numbers_words, rule_words
from ullage.daemon.settings import load
from ullage.detectors.ending import EndingSettings
from ullage.detectors.finding import Condition, Finding, Priority, State

CONFIG = Path(__file__).parents[3] / "replay_fixtures" / "heron_pitched_to_tap.yaml"


@pytest.fixture(name="watched", scope="module")
def _watched() -> WatchedVessel:
    return load(CONFIG, dict(os.environ), live=False).watched("heron")


@pytest.mark.parametrize("condition", list(Condition))
def test_every_condition_has_its_rule(condition: Condition, watched: WatchedVessel) -> None:
    """A reader learns when it is told, though the configuration names no sensors."""
    said = rule_words(condition, watched)
    assert re.fullmatch(r"Told when: .{15,}\.", said, re.DOTALL)
    assert ".." not in said


@pytest.mark.parametrize("condition", list(Condition))
def test_no_number_stands_without_its_name(condition: Condition) -> None:
    """Value, limit and rate are each called what they are."""
    value_is, limit_is = NUMBERS[condition]
    finding = Finding(
        time_s=0.0,
        vessel="heron",
        condition=condition,
        state=State.NOTED,
        priority=Priority.LOW,
        text="x",
        value=0.38291 if value_is else None,
        limit=1500.4 if limit_is else None,
        unit="bar",
        rate_g_per_l_day=0.1,
    )
    said = numbers_words(finding)
    assert ("0.383 bar" in said) is bool(value_is)
    assert ("1500 bar" in said) is bool(limit_is)
    assert said.endswith("production 0.10 g/L CO₂ a day.")
    assert "value" not in said
    assert said.count(";") == bool(value_is) + bool(limit_is)


def test_rules_follow_the_settings(watched: WatchedVessel) -> None:
    """What was changed in the configuration stands in the rule, not the default."""
    changed = dict(watched.detectors) | {
        "ending": EndingSettings(to_come_by_word_g_per_l=0.17, confirm_cycling_h=13)
    }
    said = rule_words(Condition.FINISHED, replace(watched, detectors=changed))
    assert "0.17 g/L" in said
    assert "13 h if the valve cycles" in said
    assert "3 bar for two readings in a row" in rule_words(Condition.OVER_PRESSURE, watched)


@pytest.mark.parametrize(
    ("condition", "said"),
    [(Condition.FINISHED, "no production measurable"), (Condition.LEAK, "lost 0.16 g/L CO₂ a day")],
)
def test_nobody_makes_less_than_nothing(condition: Condition, said: str) -> None:
    """A rate below nought is the error of one that is none, or what a leak loses."""
    finding = Finding(
        time_s=0.0, vessel="heron", condition=condition, state=State.NOTED, priority=Priority.LOW, text="x",
        rate_g_per_l_day=-0.16,
    )  # fmt: skip
    assert numbers_words(finding) == f"Numbers: {said}."
