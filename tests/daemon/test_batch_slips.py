"""What a brewer does wrong about batches, or does late: refused with reason, or put right, and nothing lost without a word."""

import json
import shlex
from pathlib import Path

import pytest

from tests.daemon.test_batch_commands import Here, _folder, _here, opened  # noqa: F401 - fixtures
from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.cli import main
from ullage.daemon.clock import SystemClock
from ullage.daemon.final_gravity import final_gravity
from ullage.daemon.store import batches
from ullage.detectors.stage import Stage, StageChange

HOUR = 3600.0


def stands_at(folder: Path, stage: Stage, hours_ago: float) -> None:
    """Write down a stage as the daemon does."""
    now_s = SystemClock().wall_s()
    with opened(folder) as store:
        newest = batches.newest(store, "north")
        assert newest is not None
        changes = (
            StageChange(stage=Stage.PITCHED, since_s=newest.began_s, why="the journal says so"),
            StageChange(stage=stage, since_s=now_s - hours_ago * HOUR, why="for a test"),
        )
        batches.keep_stages(store, "north", newest.id, changes, None)


@pytest.mark.parametrize(
    ("command", "part"),
    [
        (["journal", "north", "a note", "--at", "9999999 days ago"], "lies more than ten years back"),
        (["journal", "north", "a note", "--at", "0001-01-01T00:00:00Z"], "lies more than ten years back"),
        (["journal", "north", "a note", "--at", ""], "is no time"),
        (["journal", "north", "gravity 1.480"], "`gravity` takes 0.985 to 1.2"),
        (["gravity", "north", "--brix", "0.5", "--original-brix", "20"], "must lie between 0.985 and 1.2"),
        (["gravity", "north", "1.190", "--temperature", "60"], "must lie between 0.985 and 1.2"),
        (["batch", "start", "north", "--plan", "2, chill 10"], 'plan: "chill 10" must lie below the 2 °C before it'),
    ],
)  # fmt: skip
def test_what_can_t_be_is_refused_before_anything_is_kept(here: Here, command: list[str], part: str) -> None:
    """One sentence, exit code 2, and an empty journal."""
    done = here(*command)
    assert (done.code, done.out) == (2, "")
    assert part in done.err
    assert len(done.err.splitlines()) == 1
    assert here("journal", "north", "--list").out == "north: no entry yet\n"


def test_negative_numbers_with_their_unit_are_numbers(here: Here, capsys: pytest.CaptureFixture[str]) -> None:
    """A dry cider ends below water; a cellar may be below zero."""
    assert "0.996 (-1.0 °P)" in here("gravity", "north", "-1P").out
    assert main(["carbonation", "--temperature", "-1C", "--pressure", "1"]) == 0
    assert "at -1.0 °C" in capsys.readouterr().out


def test_fahrenheit_is_shown_as_a_fridge_is_set(here: Here) -> None:
    """To a tenth of a degree."""
    told = here(
        "batch", "start", "north", "--yeast", "64F", "75F", "--carbonation", "5 g/L", "--serving", "43F"
    ).out
    assert "yeast 17.8 to 23.9 °C" in told
    assert "served at 6.1 °C" in " ".join(told.split())


def test_a_pitching_of_days_ago_is_where_the_batch_begins(here: Here) -> None:
    """Whether or not the daemon has run since."""
    assert "A batch begins with it" in here("journal", "north", "pitched", "--at", "5 days ago").out
    assert "It begins with the pitching entered then." in here("batch", "start", "north").out
    assert "5 days old" in here("batch", "show", "north").out


def test_pitching_into_a_vessel_that_is_full_says_so(here: Here, folder: Path) -> None:
    """The word counts for the batch in it; how to begin another is said."""
    here("batch", "start", "north", "--at", "9 days ago")
    stands_at(folder, Stage.COLD, 30)
    told = here("journal", "north", "pitched").out
    assert "counts for batch 1" in told
    assert "in the vessel and cold" in told
    assert "ullage batch end north --at" in told
    stands_at(folder, Stage.LAG, 1)
    assert "counts for" not in here("journal", "north", "pitched", "--at", "1 minute ago").out


def test_a_stage_can_t_begin_before_the_one_that_holds(here: Here, folder: Path) -> None:
    """Nor before the batch: what came after it would take it back without a word."""
    here("batch", "start", "north", "--at", "9 days ago")
    stands_at(folder, Stage.FIRST_FINING, 30)
    done = here("batch", "stage", "north", "cold", "--at", "2 days ago")
    assert done.code == 2
    assert "lies before `first fining` began" in done.err
    assert "`ullage batch undo`" in done.err
    assert here("batch", "stage", "north", "cold", "--at", "40 days ago").code == 2
    assert here("batch", "stage", "north", "conditioned", "--at", "29 hours ago").code == 0


def test_two_undos_in_a_row_each_name_what_they_take_back(here: Here, folder: Path) -> None:
    """Though the daemon has not yet written down what the first one did."""
    here("batch", "start", "north", "--at", "9 days ago")
    stands_at(folder, Stage.COLD, 30)
    assert "cold is taken back; it is pitched again" in here("batch", "undo", "north").out
    again = here("batch", "undo", "north")
    assert (again.code, "no change of stage to take back" in again.err) == (1, True)


def test_an_end_by_mistake_is_taken_back_by_striking_it(here: Here) -> None:
    """The batch goes on; the mark of its beginning can't be struck, and neither can be replaced."""
    here("batch", "start", "north", "--at", "3 days ago")
    assert here("batch", "end", "north").code == 0
    begun, ended = (line.split()[0] for line in here("journal", "north", "--list").out.splitlines())
    assert here("journal", "north", "--replace", ended, "tapped").code == 2
    assert here("journal", "north", "--strike", ended).out.endswith("is struck: the batch goes on\n")
    assert "3 days old" in here("batch", "show", "north").out
    refused = here("journal", "north", "--strike", begun)
    assert (refused.code, "marks where a batch began" in refused.err) == (2, True)


def test_an_end_that_another_batch_has_followed_stays(here: Here) -> None:
    """Two batches can't be in one vessel."""
    here("batch", "start", "north", "--at", "9 days ago")
    here("batch", "end", "north", "--at", "2 days ago")
    ended = here("journal", "north", "--list").out.splitlines()[-1].split()[0]
    assert here("batch", "start", "north").code == 0
    assert "another has followed" in here("journal", "north", "--strike", ended).err


def test_a_batch_that_ended_days_ago_has_no_stages_after_that(here: Here, folder: Path) -> None:
    """They belonged to beer that was not there any more."""
    here("batch", "start", "north", "--at", "9 days ago")
    stands_at(folder, Stage.CONDITIONED, 30)
    here("batch", "end", "north", "--at", "2 days ago")
    shown = json.loads(here("batch", "show", "north", "--json").out)
    assert [stage["stage"] for stage in shown["stages"]] == ["pitched"]
    (listed,) = json.loads(here("batch", "show", "north", "--past", "--json").out)
    assert (listed["batch"], listed["ended"] is not None) == (1, True)


def test_a_sample_counts_for_the_batch_that_was_in_the_vessel_then(here: Here) -> None:
    """Attenuation by its own original gravity; the summary of a batch that has ended takes the sample up."""
    here("batch", "start", "north", "--at", "9 days ago", "--og", "1.060")
    here("batch", "end", "north", "--at", "2 days ago")
    here("batch", "start", "north", "--og", "1.090")
    told = here("gravity", "north", "1.010", "--at", "3 days ago").out
    assert "belongs to batch 1, which has ended; its summary is made anew" in told
    assert "From 1.060" in told
    summary = json.loads(here("batch", "show", "north", "--number", "1", "--summary", "--json").out)
    assert (summary["original_gravity"], summary["final_gravity"]) == (1.06, 1.01)
    assert summary["final_gravity_basis"] == "the last sample; the end was not proved"
    assert "From 1.090" in here("gravity", "north", "1.050").out


def test_a_refractometer_says_the_wort_itself(here: Here, folder: Path) -> None:
    """Its first reading is an original gravity, where the batch has none."""
    config = folder / "config.yaml"
    config.write_text(config.read_text().replace("    original_gravity: 1.048\n", ""))
    told = here("gravity", "north", "--brix", "6.5", "--original-brix", "12.5").out
    assert "From 1.048" in told  # 12.5 °Brix / 1.04 are 12.0 °P


def test_an_early_sample_is_no_final_gravity_and_a_float_is_one(folder: Path) -> None:
    """A sample of the second day says nothing of the end; the floating sensor of the days after it does."""
    over_s = SystemClock().wall_s() - 6 * 86_400.0
    began_s = over_s - 6 * 86_400.0
    with opened(folder) as store:
        store.add_entry("north", began_s + 2 * 86_400.0, "gravity 1.0300 hydrometer", made_s=over_s)
        assert final_gravity(store, "north", began_s, over_s, over_s + 86_400.0) is None
        rows = [Reading("north", Quantity.GRAVITY, over_s + 600.0 * i, 1.0105) for i in range(200)]
        rows += [
            Reading("north", Quantity.GRAVITY, over_s + 2.5 * 86_400.0 + 600.0 * i, 0.99) for i in range(400)
        ]
        store.append(rows)
        by_float = final_gravity(store, "north", began_s, over_s, over_s + 6 * 86_400.0)
        assert by_float is not None
        assert (round(by_float.gravity, 4), by_float.basis) == (1.0105, "floating sensor")
        store.add_entry("north", over_s - HOUR, "gravity 1.0100 hydrometer", made_s=over_s)
        by_hand = final_gravity(store, "north", began_s, over_s, over_s + 6 * 86_400.0)
        assert by_hand is not None
        assert (by_hand.gravity, by_hand.basis) == (1.01, "hydrometer")


def test_status_says_how_far_a_float_says_the_beer_is(here: Here, folder: Path) -> None:
    """Both scales, attenuation and alcohol by Balling's worked example (DEVELOPERS.md): 12 and 2.5 °P are 79.2 %, 5.1 %."""
    here("batch", "start", "north", "--og", "12P")
    with opened(folder) as store:
        store.append([Reading("north", Quantity.GRAVITY, SystemClock().wall_s() - 60, 1.00985)])
    shown = here("status").out
    assert "1.010 (2.5 °P)" in shown
    assert "attenuation   79 % apparent, 5.1 % alcohol by volume" in shown
    far = json.loads(here("status", "--json").out)["vessels"][0]["fermented"]
    assert far["apparent_percent"] == pytest.approx(79.2, abs=0.3)


def test_hints_can_be_pasted_whatever_the_vessel_is_called(here: Here, folder: Path) -> None:
    """Names with blanks are quoted."""
    config = folder / "config.yaml"
    config.write_text(config.read_text().replace("name: north", "name: the tall one"))
    hint = here("batch", "start", "the tall one").out
    command = hint[hint.index("ullage journal") : hint.rindex("`")]
    assert shlex.split(" ".join(command.split())) == ["ullage", "journal", "the tall one", "pitched"]
