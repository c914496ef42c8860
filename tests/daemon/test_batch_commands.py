"""`ullage batch`, `snooze`, `gravity` and `journal` as a brewer meets them."""

import json
import shlex
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from tests.daemon.configs import EXAMPLE, write
from ullage.adapters.reading import Quantity, Reading
from ullage.adapters.recorded_log import read_log
from ullage.daemon.cli import main
from ullage.daemon.clock import SystemClock
from ullage.daemon.store import batches
from ullage.daemon.store.store import Store
from ullage.detectors.samples import Kind
from ullage.detectors.stage import NextStep, Stage, StageChange

LOG = Path(__file__).parents[2] / "replay_fixtures" / "heron_pitched_to_tap.csv.gz"


@dataclass(frozen=True, slots=True)
class Said:
    """What a command gave back."""

    code: int
    out: str
    err: str


Here = Callable[..., Said]


@pytest.fixture(name="folder")
def _folder(tmp_path: Path) -> Path:
    write(tmp_path, EXAMPLE)
    Store.open(f"sqlite:///{tmp_path}/ullage.db").close()
    return tmp_path


@pytest.fixture(name="here")
def _here(folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Here:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("TZ", "UTC")

    def run(*arguments: str) -> Said:
        code = main([*arguments, "--config", str(folder / "config.yaml")])
        said = capsys.readouterr()
        return Said(code, said.out, said.err)

    return run


def opened(folder: Path) -> Store:
    return Store.open(f"sqlite:///{folder}/ullage.db")


def test_start_says_what_to_set(here: Here) -> None:
    """The three statements about the valve: alone, whether the limit allows it, and what the bottle adds."""
    done = here(
        "batch",
        "start",
        "north",
        "--carbonation",
        "5.0 g/L",
        "--serving",
        "6",
        "--og",
        "12P",
        "--name",
        "best",
    )
    assert (done.code, done.err) == (0, "")
    assert 'north: batch 1 "best"' in done.out
    text = " ".join(done.out.split())
    assert "ale, yeast 18 to 24 °C, original gravity 1.048 (12.0 °P), 5.0 g/L (2.5 volumes)" in text
    # by hand, s = 10 exp(-10.73797 + 2617.25/T), K = s + 4/19 · 44.0095/(R T): K(2 °C) · 5/s(2 °C)/K(21 °C) - 1.01325
    assert "Set the valve to 1.88 bar" in text
    strong = here("batch", "end", "north")
    assert strong.code == 0
    lively = " ".join(here("batch", "start", "north", "--carbonation", "4 volumes").out.split())
    assert "would ask for" in lively
    assert "2.25 bar" in lively
    assert "connect the bottle at" in lively
    assert "g of CO2" in lively


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (["start", "nroth"], 2, "there is no vessel 'nroth' in the configuration; did you mean north?"),
        (["start", "north", "--carbonation", "5"], 2, '--carbonation "5" must be written as in "5.0 g/L" or "2.5 volumes"'),
        (["start", "north", "--plan", "hot"], 2, "--plan: \"hot\" can't be read; write it like `16 for 3 days, 20, rest 22 for 2 days, chill 1`"),
        (["start", "north", "--og", "12"], 2, "--og: '12' is no gravity; write 1.048 for specific gravity or 12P for degrees Plato"),
        (["start", "north", "--yeast", "24", "18"], 2, "--yeast [24, 18] must run from low to high within -5 to 45 °C"),
        (["start", "north", "--serving", "60"], 2, "--serving 60 °C must lie between -2 and 25 °C"),
        (["end", "north"], 1, "north: has no batch to end; `ullage batch start north` begins one"),
        (["change", "north", "--og", "12P"], 1, "north: has no batch to change; `ullage batch start north` begins one"),
        (["show", "north"], 1, "north: has no batch yet; `ullage batch start north` begins one"),
        (["show", "north", "--number", "7"], 1, "north: has no batch 7; `ullage batch start north` begins one"),
        (["undo", "north"], 1, "north: has no change of stage to take back; see `ullage batch show`"),
        (["start", "north", "--serving", "140F"], 2, "--serving 60 °C must lie between -2 and 25 °C"),
        (["stage", "north", "colld"], 2, "STAGE: 'colld' is no stage; did you mean cold?"),
    ],
)  # fmt: skip
def test_mistakes_are_one_sentence(here: Here, arguments: list[str], code: int, sentence: str) -> None:
    """What is wrong and what would be right."""
    done = here("batch", *arguments)
    assert (done.code, done.out, done.err) == (code, "", f"ullage: {sentence}\n")


def test_a_second_batch_waits_for_the_end_of_the_first(here: Here) -> None:
    """And past ones are listed."""
    assert here("batch", "start", "north", "--at", "3 days ago").code == 0
    again = here("batch", "start", "north")
    assert (again.code, again.err) == (
        1,
        "ullage: north: has a batch already; end it first: `ullage batch end north`\n",
    )
    assert here("batch", "end", "north", "--at", "1 day ago").code == 0
    assert here("batch", "start", "north", "--beverage", "cider").code == 0
    past = here("batch", "show", "north", "--past").out.splitlines()
    assert len(past) == 2
    assert "2 days" in past[0]
    entries = here("journal", "north", "--list").out
    assert [line.split("  ")[-1] for line in entries.splitlines()] == [
        "batch started", "batch ended", "batch started",
    ]  # fmt: skip


def test_the_batch_begins_with_the_pitching_just_entered(here: Here, folder: Path) -> None:
    """Whoever says `pitched` first and `batch start` afterwards means one beginning."""
    here("journal", "north", "pitched", "--at", "2 h ago")
    done = here("batch", "start", "north")
    assert "It begins with the pitching entered then." in done.out
    with opened(folder) as store:
        (pitched,) = [entry for entry in store.entries("north") if entry.text == "pitched"]
        begun = batches.newest(store, "north")
        assert begun is not None
        assert begun.began_s == pitched.time_s


def test_wishes_can_be_changed(here: Here, folder: Path) -> None:
    """Only what is given changes; the batch goes on, and the advice is given anew."""
    here("journal", "north", "pitched", "--at", "2 h ago")
    here("batch", "start", "north", "--name", "best", "--carbonation", "5 g/L", "--finings", "once")
    with opened(folder) as store:
        before = batches.newest(store, "north")
    changed = here("batch", "change", "north", "--carbonation", "4.5 g/L", "--plan", "16 for 3 days, 20")
    assert changed.code == 0
    assert "4.5 g/L" in changed.out
    assert "Set the valve to" in changed.out
    with opened(folder) as store:
        after = batches.newest(store, "north")
    assert before is not None
    wishes = replace(before.wishes, carbonation="4.5 g/L", plan="16 for 3 days, 20")
    assert after == replace(before, wishes=wishes)
    nothing = here("batch", "change", "north")
    assert (nothing.code, nothing.err) == (
        2,
        "ullage: nothing to change; give what you want instead, as in --plan\n",
    )


def test_show_and_undo(here: Here, folder: Path) -> None:
    """Stages with when and why; undo is an entry that the detectors see; what was undone stays visible."""
    here("batch", "start", "north", "--at", "5 h ago")
    now_s = SystemClock().wall_s()
    changes = (
        StageChange(stage=Stage.PITCHED, since_s=now_s - 18_000, why="the journal says so"),
        StageChange(stage=Stage.LAG, since_s=now_s - 14_400, why="no gas yet", undone_s=now_s - 10),
        StageChange(stage=Stage.ACTIVE, since_s=now_s - 7200, why="the brewer says so", by_brewer=True),
    )
    with opened(folder) as store:
        batches.keep_stages(store, "north", 1, changes, NextStep("Nothing: the end will be told"))
    shown = here("batch", "show", "north").out
    assert "undone" in shown
    assert "* active" in shown
    assert "Next: Nothing: the end will be told" in shown
    assert max(map(len, shown.splitlines())) <= 80
    found = json.loads(here("batch", "show", "north", "--json").out)
    assert [stage["stage"] for stage in found["stages"]] == ["pitched", "lag", "active"]
    assert found["stages"][1]["undone"] is not None
    done = here("batch", "undo", "north")
    assert "active is taken back; it is pitched again" in done.out
    assert here("batch", "stage", "north", "on", "tap", "--at", "10 min ago").code == 0
    with opened(folder) as store:
        assert [entry.text for entry in store.entries("north")][-2:] == ["stage on tap", "stage undo"]


def test_summary_of_a_whole_batch(here: Here, folder: Path) -> None:
    """Durations, peak, range, gas and alarms from stored readings; kept in the database, the same ever after."""
    path = folder / "config.yaml"
    path.write_text(
        path.read_text().replace("north", "heron").replace("rated_pressure_bar: 2.5", "rated_pressure_bar: 3")
    )
    log = read_log(LOG).vessels["heron"]
    shift_s = SystemClock().wall_s() - float(log.time_s[-1]) - 3600
    quantities = {int(Kind.TEMPERATURE): Quantity.TEMPERATURE, int(Kind.PRESSURE): Quantity.PRESSURE}
    columns = zip(log.time_s.tolist(), log.kind.tolist(), log.value.tolist(), strict=True)
    with opened(folder) as store:
        store.append([Reading("heron", quantities[k], t + shift_s, v) for t, k, v in columns])
        for entry in log.entries:
            store.add_entry("heron", entry.time_s + shift_s, entry.text, made_s=0.0)
    # fermented at 20 °C, so that nearly all of it was near a plan that says 20 throughout
    assert here("batch", "start", "heron", "--at", "290 hours ago", "--plan", "20, chill 2").code == 0
    assert here("gravity", "heron", "1.0105").code == 0
    ended = here("batch", "end", "heron")
    assert ended.code == 0
    assert max(map(len, ended.out.splitlines())) <= 80
    for stage in Stage:
        assert (stage.value in ended.out) is (stage is not Stage.WARM_REST)
    found = json.loads(here("batch", "show", "heron", "--summary", "--json").out)
    # 12 °P to 1.0105: 37.9 g of CO2 per litre of wort by Balling, and 19 L of it; the shut vessel at 1.55 bar and 20 °C
    # keeps 1.66 · 2.56 g/L in the beer and 4 L of gas: about 590 g must have left
    assert found["vented_g"] == pytest.approx(590, abs=40)
    assert found["in_range_share"] == 1.0
    assert found["on_plan_share"] == 1.0
    assert "100 % of the time near its steps" in ended.out
    assert found["peak_rate_g_per_l_day"] == pytest.approx(12, abs=2)
    assert found["alcohol_percent"] == pytest.approx(5.0, abs=0.1)
    assert found["alarms"] == {}
    assert sum(stage["hours"] for stage in found["stages"]) == pytest.approx(found["hours"] - 14.5, abs=1.0)
    assert here("batch", "show", "heron", "--summary").out == ended.out


def test_gravity_says_what_it_means(here: Here, folder: Path) -> None:
    """Both scales; a refractometer corrected for alcohol; attenuation, alcohol, gas to come; standing still."""
    plain = here("gravity", "north", "2.5P", "--at", "50 hours ago")
    # Balling's worked example: 12 and 2.5 °P give 79.2 % apparent attenuation and 5.1 % by volume (as in DEVELOPERS.md)
    assert "1.010 (2.5 °P) by hydrometer" in plain.out
    assert "79 % apparent attenuation, 5.1 % alcohol by volume" in plain.out
    assert (
        "CO2 still to come: none to speak of, if it ends at 78 %" in plain.out
    )  # 79 % are past what is assumed
    young = here("gravity", "north", "6P", "--at", "99 hours ago")
    assert here("journal", "north", "--strike", "2").code == 0
    # by Balling 0.9565 g of CO2 a g of alcohol: 38.5 g/L for 9.5 °P (as in DEVELOPERS.md), here 3.4 °P of it to go
    assert "CO2 still to come: about 13." in young.out
    assert max(map(len, young.out.splitlines())) <= 80
    brix = here("gravity", "north", "--brix", "6.5", "--original-brix", "12.5")
    assert "1.011" in brix.out  # as the example in ullage.detectors.gravity
    warm = here("gravity", "north", "1.009", "--temperature", "28")
    assert "1.011" in warm.out  # water at 28 °C is lighter than at 20 °C by 0.2 % (Kell 1975)
    assert "Gravity by hydrometer has moved by 0.00" in warm.out
    assert here("journal", "north", "--strike", "4").code == 0
    again = here("gravity", "north", "1.010")
    assert "Gravity by hydrometer has stood within 0.0002 over 50 h" in again.out
    with opened(folder) as store:
        texts = [entry.text for entry in store.entries("north")]
    assert texts[0] == "gravity 1.0098 hydrometer"
    assert texts[1].endswith("refractometer")


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        ([], "GRAVITY: is missing"),
        (["12"], "'12' is no gravity"),
        (["--brix", "6"], "needs --original-brix"),
        (["1.010", "--brix", "6", "--original-brix", "12"], "takes the place of GRAVITY"),
        (["1.010", "--original-brix", "12"], "goes with --brix"),
        (["1.010", "--temperature", "200"], "must lie between 0 and 60 °C"),
        (["--brix", "60", "--original-brix", "12"], "must lie between 0 and 40 °Brix"),
    ],
)
def test_gravity_refuses_what_can_t_be(here: Here, arguments: list[str], part: str) -> None:
    """Nothing is stored then."""
    done = here("gravity", "north", *arguments)
    assert done.code == 2
    assert part in done.err
    assert len(done.err.splitlines()) == 1
    assert here("journal", "north", "--list").out == "north: no entry yet\n"


def test_journal_takes_times_and_corrections(here: Here) -> None:
    """Entries are numbered; one may be struck or replaced, and stays visible as struck."""
    noted = here("journal", "north", "valve shutt", "--at", "20 minutes ago")
    assert "  If `valve shut` was meant: ullage journal north --replace 1 'valve shut'\n" in noted.out
    fixed = here("journal", "north", "--replace", "1", "valve", "shut")
    assert "in place of entry 1" in fixed.out
    moved = here("journal", "north", "--replace", "2", "--at", "1 hour ago")
    assert "entry 3" in moved.out
    assert here("journal", "north", "smells of pears").code == 0
    struck = here("journal", "north", "--strike", "4")
    assert (struck.code, struck.out) == (0, "north: entry 4, 'smells of pears', is struck\n")
    lines = here("journal", "north", "--list").out.splitlines()
    assert sum("[struck" in line for line in lines) == 3
    assert sum("(in place of 2)" in line for line in lines) == 1
    twice = here("journal", "north", "--strike", "4")
    assert (twice.code, twice.err) == (
        1,
        "ullage: entry 4: does not stand in the journal of north; see --list\n",
    )
    assert here("journal", "north", "batch started").code == 2
    assert here("journal", "north", "--list", "x").code == 2


@pytest.mark.parametrize(
    ("text", "entry", "moment"),
    [
        ("vented 20 minutes ago", "vented", "20 minutes ago"),
        ("chill 2 at 00:00", "chill 2", "00:00"),
        ("valve set 1.4 bar yesterday 18:30", "valve set 1.4 bar", "yesterday 18:30"),
    ],
)
def test_a_time_within_the_entry_is_no_time(here: Here, text: str, entry: str, moment: str) -> None:
    """Kept as a note, since nothing is guessed; the command that was probably meant is said, and works."""
    noted = here("journal", "north", text)
    meant = f"ullage journal north --replace 1 {entry} --at '{moment}'"
    assert noted.out.endswith(f", kept as a note\n  If `{entry}` at that time was meant: {meant}\n")
    assert here(*shlex.split(meant)[1:]).code == 0
    assert "(note)" not in here("journal", "north", "--list").out.splitlines()[0]
    assert "was meant" not in here("journal", "north", "vented by the cat, 20 minutes ago").out


@pytest.mark.parametrize(
    ("entry", "wrong"),
    [("valve set 40", "`valve set` takes 0 to 10 bar"), ("chill 80", "`chill` takes -5 to 25 °C")],
)
def test_a_mistyped_number_is_refused(here: Here, entry: str, wrong: str) -> None:
    """Before it stands in the journal."""
    done = here("journal", "north", entry)
    assert (done.code, done.err) == (2, f"ullage: ENTRY: '{entry}' can't be; {wrong}\n")
    assert here("journal", "north", "--list").out == "north: no entry yet\n"


def test_a_valve_above_the_plate_is_warned_of(here: Here) -> None:
    """It may be true, so it is entered; and it is dangerous, so it is said."""
    done = here("journal", "north", "valve set 2.8 bar")
    assert (done.code, "entry 1" in done.out) == (0, True)
    assert done.err.startswith(
        "warning: The valve is set to 2.80 bar, and the vessel's plate allows 2.50 bar: turn it out now"
    )
    shown = " ".join(here("status").out.split())
    assert "! caution: The valve is set to 2.80 bar, and the vessel's plate allows 2.50 bar" in shown
    (north,) = json.loads(here("status", "--json").out)["vessels"]
    assert north["cautions"] == [done.err.removeprefix("warning: ").strip()]
    assert here("journal", "north", "valve set 1.5").err == ""
    assert "caution" not in here("status").out


def test_a_batch_that_nobody_watched_says_so(here: Here) -> None:
    """Its stages can't be shown; while it goes on they are still to come."""
    here("batch", "start", "north", "--at", "3 days ago")
    assert "no stage yet: it comes with the first readings" in here("batch", "show", "north").out
    here("batch", "end", "north")
    assert "nobody watched it" in here("batch", "show", "north").out
    assert here("batch", "show", "north", "--summary").code == 0


def test_entries_and_samples_are_exported(here: Here, folder: Path) -> None:
    """A replay of the export sees what the detectors saw, corrections made."""
    here("journal", "north", "valve shut", "--at", "3 h ago")
    here("gravity", "north", "1.012", "--at", "2 h ago")
    here("batch", "stage", "north", "finished", "--at", "1 h ago")
    here("snooze", "north", "5")
    here("journal", "north", "--strike", "1")
    assert here("export", "-o", str(folder / "out.csv")).code == 0
    texts = [entry.text for entry in read_log(folder / "out.csv").vessels["north"].entries]
    assert texts == ["gravity 1.0120 hydrometer", "stage finished", "snooze 5"]


def test_snooze_has_an_end(here: Here) -> None:
    """Two weeks at the most; alarms are not touched."""
    assert "alarms are told all the same" in here("snooze", "north").out
    assert here("snooze", "north", "0").code == 2
    assert here("snooze", "north", "400").code == 2


def test_screens_fit_any_terminal(monkeypatch: pytest.MonkeyPatch, here: Here) -> None:
    """Forty columns are enough."""
    name = "the pale one of the third hop harvest"
    here(
        "batch",
        "start",
        "north",
        "--name",
        name,
        "--plan",
        "16 for 3 days, 20, chill 1",
        "--finings",
        "twice",
    )
    monkeypatch.setenv("COLUMNS", "40")
    assert shutil.get_terminal_size().columns == 40
    assert max(map(len, here("status").out.splitlines())) <= 60
    assert max(map(len, here("batch", "show", "north").out.splitlines())) <= 60
