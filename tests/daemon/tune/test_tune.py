"""`ullage tune`: the same verdicts as whole replays, counted, judged, and believed no further than they go."""

import ast
import inspect
import json
import re
import textwrap
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.daemon.configs import BARE, write
from tests.daemon.program import sentences, ullage
from tests.verdicts.generator import make_batch
from tests.verdicts.truth import Batch
from ullage import detectors
from ullage.adapters.errors import ConfigError, DataError
from ullage.adapters.log_format import JournalRow, VesselLog
from ullage.adapters.reading import Quantity, Reading
from ullage.adapters.timestamps import format_rfc3339
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.replaying import Replayed
from ullage.daemon.store.store import Store
from ullage.daemon.tune.condensed import frame_detectors, raw_detectors, separable
from ullage.daemon.tune.grid import Variant, fragment, grid, nearest_first
from ullage.daemon.tune.lockstep import CONCLUSIONS, READ_ONLY_ACTIVITY, WRITERS
from ullage.daemon.tune.score import (
    Cost,
    Outcome,
    best,
    cost_of,
    leave_one_out,
    outcome,
    parse_cost,
    standings,
)
from ullage.daemon.tune.trial import condense, replay_whole, same, try_variants
from ullage.daemon.tune.truth import Truth, truth_of
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.record import Record
from ullage.detectors.registry import REGISTERED, compose

KINDS = ("vented", "early_chill", "gap", "floating_gravity")
KEYS = {
    "ending.confirm_h": [0.5, 1.0, 3.0],
    "ending.going_g_per_l_day": [0.3, 0.6, 1.5],
    "activity.rise_bar": [0.01, 0.02, 0.3],
    "frozen.at_least_min": [10.0, 30.0],
    "silent.after_min": [5.0, 15.0, 120.0],
    "temperature.patience_min": [0.0, 40.0],
    "leak.quick_loss_bar": [0.02, 0.06],
    "pressure_low.least_bar": [0.05, 0.4],
    "held.off_target_bar": [0.02, 0.12],
    "chilled.hours": [3.0, 12.0],
    "waits.cold_h": [2.0, 12.0],
    "warmed.above_k": [0.5, 3.0],
    "pressure_rising.horizon_h": [1.0, 12.0],
    "over_pressure.dead_band_bar": [0.01, 0.1],
}


def log_of(batch: Batch) -> VesselLog:
    """Return a benchmark's batch as a log."""
    samples = batch.samples
    order = np.argsort(samples.time_s, kind="stable")
    return VesselLog(
        name=batch.vessel.name,
        time_s=samples.time_s[order],
        kind=samples.kind[order],
        value=samples.value[order],
        entries=tuple(JournalRow(e.time_s, e.text) for e in sorted(batch.entries, key=lambda e: e.time_s)),
    )


def pair_of(kind: str, seed: int = 3) -> Replayed:
    """Return a batch of the benchmark, ready to be replayed."""
    batch = make_batch(kind, seed)
    watched = WatchedVessel(vessel=batch.vessel, channels=(), detectors=compose({}))
    return Replayed(log=log_of(batch), watched=watched)


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=1, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_equal_to_whole_replays(kind: str, data: st.DataObject) -> None:
    """Whatever is varied, the shortcut finds what a replay of the whole log finds, to the last word."""
    pair = pair_of(kind)
    keys = data.draw(st.lists(st.sampled_from(sorted(KEYS)), min_size=2, max_size=3, unique=True))
    variants = grid([f"{key}={','.join(map(str, KEYS[key]))}" for key in keys])
    (condensed,) = condense((pair,), variants)
    assert condensed.sound
    found = try_variants(condensed, pair.watched, variants, variants)
    for number in {0, len(variants) // 2, len(variants) - 1}:
        whole = replay_whole(pair, (pair,), variants[number])
        assert same(found[number], whole), str(variants[number])


def test_a_log_that_begins_anew(tmp_path: Path) -> None:
    """Where a batch begins in the middle of a log the detectors begin anew, in the shortcut as well."""
    pair = pair_of("smooth_test")
    middle_s = float(pair.log.time_s[len(pair.log) // 2])
    entries = sorted((*pair.log.entries, JournalRow(middle_s, "batch started")), key=lambda e: e.time_s)
    pair = replace(pair, log=replace(pair.log, entries=tuple(entries)))
    variants = grid(["activity.rise_bar=0.01,0.05", "silent.after_min=5,60"])
    (condensed,) = condense((pair,), variants)
    assert len(condensed.segments) == 2
    assert condensed.sound
    for variant, found in zip(
        variants, try_variants(condensed, pair.watched, variants, variants), strict=True
    ):
        assert same(found, replay_whole(pair, (pair,), variant))


def test_settings_make_a_difference() -> None:
    """The equality above is not that of nothing with nothing."""
    pair = pair_of("gap")
    variants = grid(["silent.after_min=2,600"])
    (condensed,) = condense((pair,), variants)
    few, many = (
        sum(f.condition is Condition.SENSOR_SILENT for f in found)
        for found in reversed(try_variants(condensed, pair.watched, variants, variants))
    )
    assert many > few


def _assigned(tree: ast.AST, owner: str) -> Iterator[str]:
    """Yield the attributes of a name that are assigned to."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store):
            value = node.value
            if isinstance(value, ast.Name) and value.id == owner:
                yield node.attr


def test_conclusions_are_those_that_detectors_write() -> None:
    """A detector that writes anything else into the record would break the sharing: it must be named first."""
    folder = Path(next(iter(detectors.__path__)))
    written = {
        name
        for path in folder.glob("*.py")
        if path.name not in ("watch.py", "record.py")
        for name in _assigned(ast.parse(path.read_text()), "record")
    }
    assert written <= set(CONCLUSIONS)
    own = set()
    for method in (Record.take, Record.enter, Record._append, Record._learn_zero):
        own |= set(_assigned(ast.parse(textwrap.dedent(inspect.getsource(method))), "self"))
    assert own & set(CONCLUSIONS) == {"production"}
    assert {kind.name for kind in frame_detectors()} >= set(WRITERS) | set(READ_ONLY_ACTIVITY)


def test_detectors_called_independent_are() -> None:
    """What is shared across settings of the end must not read what the end concludes."""
    for kind in REGISTERED:
        if kind.name in READ_ONLY_ACTIVITY:
            source = inspect.getsource(inspect.getmodule(kind))  # type: ignore[arg-type]
            read = set(re.findall(r"record\.(\w+)", source))
            assert not read & (set(CONCLUSIONS) - {"activity_s"}), kind.name
            assert "self.record" not in source


def test_every_detector_is_of_one_kind() -> None:
    """Each looks at raw samples or at frames; a mixed one would send every tuning the slow way."""
    assert separable()
    assert {*frame_detectors(), *raw_detectors()} == set(REGISTERED)


def test_the_slow_way_is_taken_when_the_shortcut_errs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Should a shortcut come out otherwise than the true replay, it is not used."""
    from ullage.daemon.tune import trial

    monkeypatch.setattr(trial, "_tried", lambda *_a: ((),))
    pair = pair_of("smooth_test")
    (condensed,) = condense((pair,), grid(["silent.after_min=5,60"]))
    assert not condensed.sound
    with pytest.raises(ValueError, match="whole"):
        try_variants(condensed, pair.watched, (), ())


# -- the grid ----------------------------------------------------------------------------------------------------------


def test_grid_is_every_combination() -> None:
    """Two keys of two and three values make six, and the fragment loads as configuration."""
    variants = grid(["silent.after_min=5,15", "ending.confirm_h=0.5,1,2"])
    assert len(variants) == 6
    assert str(variants[0]) == "silent.after_min=5, ending.confirm_h=0.5"
    tree = yaml.safe_load(fragment(variants[-1]))
    assert tree == {"detectors": {"silent": {"after_min": 15}, "ending": {"confirm_h": 2}}}
    compose(tree["detectors"])
    assert grid([]) == (Variant(),)


def test_what_is_configured_comes_first() -> None:
    """Among settings that come out the same, the one that changes least is preferred."""
    variants = nearest_first(grid(["silent.after_min=5,15", "ending.confirm_h=0.5,1"]), compose({}))
    assert str(variants[0]) == "silent.after_min=15, ending.confirm_h=1"


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("silent.after=5", "did you mean 'after_min'"),
        ("silnt.after_min=5", "did you mean 'silent'"),
        ("silent.after_min", "is not detector.key"),
        ("silent.after_min=five", "must be a number"),
        ("silent.after_min=5,5", "twice"),
        ("frozen.at_least_readings=2.5", "whole number"),
    ],
)
def test_a_slip_in_the_grid(given: str, said: str) -> None:
    """Each is one sentence with the nearest right word."""
    with pytest.raises(ConfigError, match=said):
        grid([given])


# -- judging -----------------------------------------------------------------------------------------------------------


def told(hours: float, condition: Condition, state: State = State.NOTED) -> Finding:
    """Return a finding."""
    return Finding(
        time_s=hours * 3600, vessel="n", condition=condition, state=state, priority=Priority.LOW, text=""
    )


TRUTH = Truth(end_s=100 * 3600.0, alarms=frozenset({"leak"}))


@pytest.mark.parametrize(
    ("findings", "truth", "cost"),
    [
        ([told(110, Condition.FINISHED)], TRUTH, 10.0),
        ([told(98, Condition.FINISHED)], TRUTH, 100 + 2 * 10.0),
        ([told(10, Condition.FINISHED)], TRUTH, 100 + 48 * 10.0),
        ([], TRUTH, 120.0),
        ([told(400, Condition.FINISHED)], TRUTH, 120.0),
        ([told(100, Condition.FINISHED), told(5, Condition.LEAK, State.RAISED)], TRUTH, 0.0),
        ([told(100, Condition.FINISHED), told(5, Condition.STALLED, State.RAISED)], TRUTH, 6.0),
        ([], Truth(end_s=None, alarms=frozenset()), 0.0),
        ([told(1, Condition.FINISHED)], Truth(end_s=None, alarms=frozenset()), 100 + 480.0),
        ([told(1, Condition.FINISHED)], None, 0.0),
    ],
)
def test_cost_by_hand(findings: list[Finding], truth: Truth | None, cost: float) -> None:
    """Early weighs far more than late, a missed end as much as the longest wait, a right alarm nothing."""
    assert cost_of(outcome(findings, truth), Cost()) == pytest.approx(cost)


def test_taken_back_is_counted() -> None:
    """`finished` followed by `still-fermenting` is an end taken back; the first one counts as told."""
    findings = [
        told(90, Condition.FINISHED),
        told(95, Condition.STILL_FERMENTING),
        told(120, Condition.FINISHED),
    ]
    found = outcome(findings, TRUTH)
    assert (found.withdrawn, found.early) == (1, True)


def test_standings_by_hand() -> None:
    """Dominated settings are named with what dominates them, equal ones with the first of them."""
    found = standings([[1, 5], [2, 5], [1, 5], [0, 9]])
    assert [(s.worse_than, s.same_as) for s in found] == [(None, None), (0, None), (None, 0), (None, None)]
    assert best(found).number == 0


tables = st.integers(2, 5).flatmap(
    lambda batches: st.lists(
        st.lists(st.integers(0, 9).map(float), min_size=batches, max_size=batches), min_size=1, max_size=8
    )
)


@given(tables)
def test_laws_of_judging(table: list[list[float]]) -> None:
    """The best is never dominated; leaving out never looks better than the best choice on all of that batch."""
    found = standings(table)
    winner = best(found)
    assert winner.worse_than is None
    for left in leave_one_out(table):
        assert left.cost >= min(row[left.batch] for row in table)
        others = [sum(row) - row[left.batch] for row in table]
        assert others[left.number] == min(others)


def test_one_batch_is_not_believed() -> None:
    """With a single batch there is nothing to leave out."""
    assert leave_one_out([[1.0], [2.0]]) == ()


@pytest.mark.parametrize("given", ["early", "early=x", "erly=3", "late_hour=-1"])
def test_a_slip_in_the_cost(given: str) -> None:
    """Names and numbers are checked."""
    with pytest.raises(ConfigError, match="NAME=NUMBER"):
        parse_cost([given])


# -- truth -------------------------------------------------------------------------------------------------------------


def empty(entries: tuple[JournalRow, ...] = ()) -> VesselLog:
    """Return a log of nothing."""
    none = np.empty(0)
    return VesselLog(name="north", time_s=none, kind=np.empty(0, np.uint8), value=none, entries=entries)


@pytest.mark.parametrize("name", ["a.csv.truth.json", "a.truth.json"])
def test_truth_beside_the_log(tmp_path: Path, name: str) -> None:
    """The file is found by the log's name, with or without its endings."""
    (tmp_path / name).write_text('{"end": "1970-01-02T00:00:00Z", "alarms": ["leak"]}')
    log = tmp_path / ("a.csv" if "csv" in name else "a.csv.gz")
    assert truth_of(log, empty()) == Truth(end_s=86_400.0, alarms=frozenset({"leak"}))


def test_truth_of_one_vessel_of_several(tmp_path: Path) -> None:
    """A log of several vessels has a truth for each."""
    (tmp_path / "a.truth.json").write_text('{"vessels": {"north": {"end": null}}}')
    assert truth_of(tmp_path / "a.csv", empty()) == Truth(end_s=None, alarms=frozenset())
    assert truth_of(tmp_path / "a.csv", replace(empty(), name="south")) is None


def test_truth_from_the_journal(tmp_path: Path) -> None:
    """`true end` in the journal does without a file."""
    log = empty((JournalRow(5.0, "pitched"), JournalRow(7.0, "True End ")))
    assert truth_of(tmp_path / "a.csv", log) == Truth(end_s=7.0, alarms=frozenset())
    assert truth_of(tmp_path / "a.csv", empty()) is None


@pytest.mark.parametrize(
    "text", ["[]", "{", "{}", '{"end": 5}', '{"end": "noon"}', '{"end": null, "alarms": "x"}']
)
def test_a_truth_that_is_none(tmp_path: Path, text: str) -> None:
    """What can't be understood is said with an example, not taken for no truth."""
    (tmp_path / "a.truth.json").write_text(text)
    with pytest.raises(DataError):
        truth_of(tmp_path / "a.csv", empty())


# -- the command -------------------------------------------------------------------------------------------------------


def written(folder: Path, kind: str, seed: int) -> Path:
    """Write a batch of the benchmark as a log with its truth beside it."""
    batch = make_batch(kind, seed)
    log = log_of(batch)
    names, units = ("temperature", "pressure", "gravity"), ("Cel", "bar", "")
    rows = [
        (at, f"{format_rfc3339(at)},north,{names[code]},{value:.5f},{units[code]}\n")
        for at, code, value in zip(log.time_s.tolist(), log.kind.tolist(), log.value.tolist(), strict=True)
    ]
    rows += [(e.time_s, f"{format_rfc3339(e.time_s)},north,journal,{e.text},\n") for e in log.entries]
    path = folder / f"{kind}_{seed}.csv"
    path.write_text("time,vessel,quantity,value,unit\n" + "".join(row for _, row in sorted(rows)))
    (folder / f"{kind}_{seed}.truth.json").write_text(json.dumps({"end": format_rfc3339(batch.truth.end_s)}))
    return path


@pytest.fixture(name="folder", scope="module")
def _folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tune")
    write(folder, BARE, ("rated_pressure_bar: 2.5", "rated_pressure_bar: 4, valve_pressure_bar: 1.5"))
    for kind, seed in (("smooth_test", 3), ("vented", 3)):
        written(folder, kind, seed)
    return folder


def test_the_whole_command(folder: Path) -> None:
    """Two logs, six settings, two processes: a table, the best, the left-out figures, and a file that loads."""
    config, best_file = folder / "config.yaml", folder / "best.yaml"
    done = ullage(
        *("tune", folder / "smooth_test_3.csv", folder / "vented_3.csv", "--config", config, "--jobs", "2"),
        *(
            "--set",
            "ending.confirm_h=0.5,1,6",
            "--set",
            "silent.after_min=5,15",
            "--all",
            "--write",
            best_file,
        ),
    )
    assert done.returncode == 0, sentences(done)
    assert done.stderr == ""  # no terminal, no progress
    assert len(re.findall(r"^ *\d+ +\d+ +[\d-].*ending\.confirm_h=", done.stdout, re.MULTILINE)) == 6
    assert "never better than" in done.stdout
    assert "Best: 1" in done.stdout or "Best: " in done.stdout
    assert done.stdout.count("  without ") == 2
    assert "Cost of a batch, in hours of waiting: early=100" in done.stdout
    tuned = folder / "tuned.yaml"
    tuned.write_text(config.read_text() + best_file.read_text())
    assert ullage("replay", folder / "vented_3.csv", "--config", tuned).returncode == 0


def test_one_process_says_the_same(folder: Path) -> None:
    """How the work is spread changes no line."""
    arguments = (
        folder / "vented_3.csv",
        "--config",
        folder / "config.yaml",
        "--set",
        "ending.confirm_h=0.5,6",
    )
    one, two = (ullage("tune", *arguments, "--jobs", str(jobs)).stdout for jobs in (1, 2))
    assert one == two
    assert "believe nothing yet" in one


def test_without_truth_nothing_is_best(folder: Path, tmp_path: Path) -> None:
    """Settings are shown side by side, but none is called the best, and --write refuses."""
    log = tmp_path / "bare.csv"
    log.write_text((folder / "vented_3.csv").read_text())
    arguments = (
        "tune",
        log,
        "--config",
        folder / "config.yaml",
        "--set",
        "silent.after_min=5,15",
        "--jobs",
        "1",
    )
    done = ullage(*arguments)
    assert done.returncode == 0
    assert "No batch has a truth" in done.stdout
    assert "Best" not in done.stdout
    refused = ullage(*arguments, "--write", tmp_path / "x.yaml")
    assert (refused.returncode, (tmp_path / "x.yaml").exists()) == (1, False)


def test_on_what_was_recorded(folder: Path, tmp_path: Path) -> None:
    """--from-store takes the readings since the last pitching from the database, `true end` included."""
    batch = make_batch("vented", 3)
    log = log_of(batch)
    quantities = (Quantity.TEMPERATURE, Quantity.PRESSURE, Quantity.GRAVITY)
    config = tmp_path / "config.yaml"
    config.write_text(f"store: {{url: 'sqlite:///{tmp_path}/u.db'}}\n{(folder / 'config.yaml').read_text()}")
    with Store.open(f"sqlite:///{tmp_path}/u.db") as store:
        store.append(
            [
                Reading("north", quantities[code], at, value)
                for at, code, value in zip(
                    log.time_s.tolist(), log.kind.tolist(), log.value.tolist(), strict=True
                )
            ]
        )
        for entry in log.entries:
            store.add_entry("north", entry.time_s, entry.text, made_s=entry.time_s)
        store.add_entry("north", batch.truth.end_s, "true end", made_s=batch.truth.end_s)
    done = ullage(
        "tune", "--from-store", "north", "--config", config, "--set", "ending.confirm_h=1,6", "--jobs", "1"
    )
    assert done.returncode == 0, sentences(done)
    assert "north, recorded: " in done.stdout
    assert "truth known" in done.stdout
    assert "Best: 1, ending.confirm_h=1" in done.stdout


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["--set", "silent.after_min=5"], 2, "LOG: is missing"),
        (["nowhere.csv"], 1, "can't be read"),
        (["--from-store", "west"], 2, "no vessel 'west'"),
        (["x.csv", "--from-store", "north"], 2, "takes the place"),
        (["x.csv", "--cost", "x=1"], 2, "NAME=NUMBER"),
    ],
)
def test_slips_of_the_user(folder: Path, arguments: list[str], code: int, said: str) -> None:
    """One sentence each, with the right exit code."""
    done = ullage("tune", *arguments, "--config", folder / "config.yaml")
    assert done.returncode == code
    assert said in sentences(done)[0]


def test_outcomes_are_plain_values() -> None:
    """They cross a process border, so they must be equal after it."""
    import pickle

    one = outcome([told(110, Condition.FINISHED)], TRUTH)
    assert isinstance(one, Outcome)
    assert pickle.loads(pickle.dumps(one)) == one
