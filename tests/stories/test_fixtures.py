"""Every condition occurs in a replay fixture, and replay tells it when the truth beside the log says that it must.

The truth comes from the simulations that made the logs (`tests/stories`, `tests/verdicts`), which share no formula with
the detectors.
"""

import contextlib
import gzip
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import pytest

from tests.stories.mishaps import grebe
from tests.stories.truth_file import FOLDER, write_story
from ullage.adapters.recorded_log import read_log
from ullage.daemon.cli import main
from ullage.daemon.tune.truth import truth_of as read_truth
from ullage.detectors.finding import NOTICES, Condition

STEMS = sorted(path.name.removesuffix(".truth.json") for path in FOLDER.glob("*.truth.json"))
MOST_BYTES = 150_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A fixture's truth, and what replay said."""

    truth: Sequence[Mapping[str, str | None]]
    said: Sequence[Mapping[str, str]]

    def first(self, condition: str | None) -> datetime | None:
        """Return when a condition was first told."""
        times = [
            one["time"] for one in self.said if one["condition"] == condition and one["state"] != "cleared"
        ]
        return datetime.fromisoformat(times[0]) if times else None


def truth_of(stem: str) -> list[dict[str, str | None]]:
    """Return the conditions of a truth file."""
    known = json.loads((FOLDER / f"{stem}.truth.json").read_text(encoding="utf-8"))
    rows: list[dict[str, str | None]] = known["conditions"]
    return rows


@pytest.fixture(name="told", scope="module", params=STEMS)
def _told(request: pytest.FixtureRequest) -> Told:
    stem = request.param
    config = FOLDER / f"{stem}.yaml"
    said = io.StringIO()
    with contextlib.redirect_stdout(said):  # the command itself, without a start of the interpreter for each
        assert main(["replay", str(FOLDER / f"{stem}.csv.gz"), "--config", str(config), "--jsonl"]) == 0
    return Told(truth=truth_of(stem), said=[json.loads(line) for line in said.getvalue().splitlines()])


def test_each_condition_is_told_in_time(told: Told) -> None:
    """Not before it truly began, and within the hours that the truth allows."""
    for due in told.truth:
        at, by = told.first(due["condition"]), due["by"]
        if at is not None:
            assert at >= datetime.fromisoformat(str(due["not_before"])), due
        if by is not None:
            assert at is not None, due
            assert at <= datetime.fromisoformat(by), (due, at)


def test_the_end_is_never_called_without_one(told: Told) -> None:
    """`finished` stands in no replay whose truth knows of no end."""
    if all(due["condition"] != Condition.FINISHED for due in told.truth):
        assert told.first(Condition.FINISHED) is None


def test_no_alarm_without_a_cause(told: Told) -> None:
    """Whatever alarm is raised, the truth has it."""
    alarms = {one["condition"] for one in told.said} - NOTICES
    assert alarms <= {due["condition"] for due in told.truth}


def test_every_condition_occurs_in_a_fixture() -> None:
    """And must be told there."""
    due = {row["condition"] for stem in STEMS for row in truth_of(stem) if row["by"] is not None}
    assert due == {condition.value for condition in Condition}


@pytest.mark.parametrize("stem", STEMS)
def test_fixtures_are_small_sound_logs(stem: str) -> None:
    """A log that a repository can carry, of one vessel, without a bad row; `tune` reads the truth beside it."""
    path = FOLDER / f"{stem}.csv.gz"
    assert path.stat().st_size < MOST_BYTES
    log = read_log(path)
    assert log.bad_rows.total == 0
    name = stem.partition("_")[0]
    assert list(log.vessels) == [name]
    known = read_truth(path, log.vessels[name])
    assert known is not None
    assert known.alarms == {row["condition"] for row in truth_of(stem)} - NOTICES
    assert (known.end_s is not None) == any(row["condition"] == Condition.FINISHED for row in truth_of(stem))


def test_a_fixture_is_made_again_the_same(tmp_path: Path) -> None:
    """What lies in the repository is what the script makes: log, configuration and truth."""
    write_story(grebe(), tmp_path)
    made = sorted(path.name for path in tmp_path.iterdir())
    assert made == [f"grebe_stuck_valve.{end}" for end in ("csv.gz", "truth.json", "yaml")]
    for name in made:
        here, there = (folder / name for folder in (tmp_path, FOLDER))
        read = gzip.open if name.endswith(".gz") else open
        with read(here, "rb") as new, read(there, "rb") as old:
            assert new.read() == old.read(), name
