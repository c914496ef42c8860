"""The table of detectors and the composition of their settings."""

from itertools import pairwise

import pytest

from tests.detectors.streams import SEALED
from ullage.detectors.activity import Activity
from ullage.detectors.ending import Ending
from ullage.detectors.over_pressure import OverPressure, OverPressureSettings
from ullage.detectors.registry import REGISTERED, build, compose
from ullage.detectors.silent import SilentSettings


def test_names_are_distinct_and_over_pressure_is_first() -> None:
    """One name each; nothing comes before over-pressure, and who writes a conclusion comes before who reads it."""
    names = [kind.name for kind in REGISTERED]
    assert len(set(names)) == len(names)
    assert REGISTERED[0] is OverPressure
    assert all(REGISTERED.index(a) < REGISTERED.index(b) for a, b in pairwise((Activity, Ending)))


def test_defaults_are_each_detectors_own() -> None:
    """Nothing overridden: the defaults stand in the detectors' files and nowhere else."""
    assert compose({}) == {kind.name: kind.Settings() for kind in REGISTERED}


def test_one_key_is_replaced() -> None:
    """An override replaces its key and nothing else; whole numbers do for numbers."""
    composed = compose({"over_pressure": {"dead_band_bar": 1}, "silent": {"after_min": 30.0}})
    assert composed["over_pressure"] == OverPressureSettings(dead_band_bar=1)
    assert composed["silent"] == SilentSettings(after_min=30.0)


@pytest.mark.parametrize(
    ("overrides", "said"),
    [
        ({"overpressure": {}}, "there is no detector 'overpressure'; did you mean 'over_pressure'?"),
        ({"zzz": {}}, "there is no detector 'zzz'; known are over_pressure, .*chilled"),
        ({"silent": {"after_mins": 3}}, "'silent' has no setting 'after_mins'; did you mean 'after_min'?"),
        ({"silent": {"after_min": "3"}}, "silent.after_min must be a number, not '3'"),
        ({"silent": {"after_min": True}}, "silent.after_min must be a number, not True"),
        ({"frozen": {"at_least_readings": 2.5}}, "frozen.at_least_readings must be a whole number, not 2.5"),
    ],
)
def test_slips_are_answered(overrides: dict[str, dict[str, object]], said: str) -> None:
    """A slip is refused in a sentence that names what was meant."""
    with pytest.raises(ValueError, match=said.replace("?", r"\?")):
        compose(overrides)


def test_build_makes_one_of_each() -> None:
    """Each vessel gets its own set."""
    made, other = build(SEALED, compose({})), build(SEALED, compose({}))
    assert [type(detector) for detector in made] == list(REGISTERED)
    assert not set(map(id, made)) & set(map(id, other))
