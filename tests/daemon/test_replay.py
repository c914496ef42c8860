"""`ullage replay` as the contract of the design has it."""

import gzip
import json
import os
import pty
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from tests.daemon.configs import BARE, write
from tests.daemon.program import COMMAND, environment, sentences, ullage
from ullage.adapters.errors import ConfigError
from ullage.adapters.log_format import BadRows, JournalRow, RecordedLog, VesselLog
from ullage.adapters.recorded_log import read_log
from ullage.daemon.finding_json import finding_json
from ullage.daemon.finding_table import finding_lines
from ullage.daemon.local_time import LocalTime
from ullage.daemon.replaying import pair_vessels, replay
from ullage.daemon.settings import load
from ullage.detectors.finding import NOTICES, Condition, Finding, Priority, State

START = datetime(2026, 3, 1, 6, tzinfo=UTC)
KEYS = [
    "time", "vessel", "condition", "state", "priority", "text", "value", "limit", "unit", "rate_g_per_l_day",
    "evidence",
]  # fmt: skip
"""Keys of the design's replay contract, in its order."""


def rows(vessel: str = "north", *, over_from: int = 40, minutes: int = 60) -> str:
    """Return rows of a minute each: 1 bar at first, then 0.1 bar above a rating of 2.5 bar."""
    lines = []
    for minute in range(minutes):
        stamp = (START + timedelta(minutes=minute)).isoformat().replace("+00:00", "Z")
        bar = 2.6 if minute >= over_from else 1.0
        lines.append(f"{stamp},{vessel},pressure,{bar + minute % 3 / 1000},bar\n")
        lines.append(f"{stamp},{vessel},temperature,{20 + minute % 5 / 100},Cel\n")
    return "".join(lines)


HEADER = "time,vessel,quantity,value,unit\n"


@pytest.fixture(name="config")
def _config(tmp_path: Path) -> Path:
    return write(tmp_path, BARE)


@pytest.fixture(name="log")
def _log(tmp_path: Path) -> Path:
    path = tmp_path / "log.csv"
    path.write_text(HEADER + rows())
    return path


def objects(done: subprocess.CompletedProcess[str]) -> list[dict[str, object]]:
    """Return stdout as the objects that it must consist of."""
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_jsonl_is_the_contract_and_nothing_else(log: Path, config: Path) -> None:
    """One object a line, every key there, in order of time, the alarm with its numbers."""
    done = ullage("replay", log, "--config", config, "--jsonl")
    assert (done.returncode, done.stderr) == (0, "")
    found = objects(done)
    assert all([key for key in one if key != "subject"] == KEYS for one in found)
    assert [one["time"] for one in found] == sorted(str(one["time"]) for one in found)
    (over,) = [one for one in found if one["condition"] == "over-pressure"]
    assert over["time"] == "2026-03-01T06:41:00Z"  # the second reading above the rating
    assert (over["vessel"], over["state"], over["priority"]) == ("north", "raised", "critical")
    assert (over["limit"], over["unit"]) == (2.5, "bar")
    assert over["value"] == pytest.approx(2.602)
    assert isinstance(over["evidence"], list)


def test_one_row_is_no_rows(tmp_path: Path, config: Path) -> None:
    """Of two rows one has a unit that is none: the other is counted in plain words, the bad one named by its line."""
    log = tmp_path / "one.csv"
    log.write_text(
        "time,vessel,quantity,value,unit\n"
        "2026-03-01T09:00:00Z,north,pressure,1.2,furlong\n"
        "2026-03-01T09:01:00Z,north,pressure,1.2,bar\n"
    )
    done = ullage("replay", log, "--config", config)
    assert done.returncode == 0
    assert "1 row used, 1 bad" in done.stdout
    assert "line 2: unit 'furlong': is not known for pressure" in done.stderr


def test_a_quiet_log_is_said_to_be_quiet(tmp_path: Path, config: Path) -> None:
    """Nothing told is an answer, too; over a turn of the year the years are told."""
    log = tmp_path / "quiet.csv"
    log.write_text(
        "time,vessel,quantity,value,unit\n2025-12-31T23:59:00Z,north,pressure,1.2,bar\n2026-01-01T00:01:00Z,north,pressure,1.2,bar\n"
    )
    said = ullage("replay", log, "--config", config).stdout
    assert said.startswith("Nothing is told of it: no alarm, no notice.\n\n2 rows used")
    assert "north: Wed 31 Dec 2025 23:59 to Thu 01 Jan 2026 00:01, 2 min" in said


def test_a_vessel_that_is_not_configured_is_named(log: Path, config: Path) -> None:
    """A slip in the second half of --vessel is a slip there, not in the log."""
    done = ullage("replay", log, "--config", config, "--vessel", "north=nroth")
    assert done.returncode == 2
    assert sentences(done) == [
        "ullage: --vessel: there is no vessel 'nroth' in the configuration; did you mean north?"
    ]


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (
            b"time;vessel;quantity;value;unit\n",
            "and not time,vessel,quantity,value,unit; part the columns by commas",
        ),
        (
            b"PK\x03\x04\x14\x00 sheet\n",
            "is no text; a log is a CSV file that begins with time,vessel,quantity,value,unit",
        ),
        (
            b"SQLite format 3\x00",
            "is no text; a log is a CSV file that begins with time,vessel,quantity,value,unit",
        ),
        (
            b"stamp,t\n",
            "and not time,vessel,quantity,value,unit; for other columns say which is which with --map",
        ),
    ],
)
def test_what_is_no_log_is_told_apart(tmp_path: Path, config: Path, content: bytes, told: str) -> None:
    """A spreadsheet, a database, another list separator, other columns: each has another remedy."""
    log = tmp_path / "odd.csv"
    log.write_bytes(content)
    done = ullage("replay", log, "--config", config)
    assert done.returncode == 1
    (said,) = sentences(done)
    assert said.endswith(told)


def test_table_says_the_same_in_words(log: Path, config: Path) -> None:
    """Local time, condition, priority, text, and at the end what was read."""
    done = ullage("replay", log, "--config", config, env={"ULLAGE_TIMEZONE": "Asia/Tokyo"})
    assert done.returncode == 0
    assert "Sun 01 Mar 15:41  north  ! over-pressure raised [critical]" in done.stdout
    assert "120 rows used, 0 bad" in done.stdout
    assert "north: Sun 01 Mar 15:00 to Sun 01 Mar 15:59, 59 min" in done.stdout
    assert "\x1b" not in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 100


def test_colour_on_a_terminal_alone(log: Path, config: Path) -> None:
    """On a terminal the head is coloured too, and NO_COLOR (no-color.org) turns that off."""
    for extra, coloured in (({}, True), ({"NO_COLOR": "1"}, False)):
        ours, theirs = pty.openpty()
        command = [*COMMAND, "replay", str(log), "--config", str(config)]
        env = environment({"TERM": "xterm", **extra})
        with subprocess.Popen(command, stdout=theirs, stderr=subprocess.DEVNULL, env=env) as process:
            os.close(theirs)
            text = b""
            while True:
                try:
                    chunk = os.read(ours, 65536)
                except OSError:  # Linux reports the closed other side of a terminal as EIO
                    break
                if not chunk:
                    break
                text += chunk
            os.close(ours)
            assert process.wait(60) == 0
        assert (b"\x1b[1;31m! over-pressure" in text) is coloured


def test_progress_on_a_terminal_alone(log: Path, config: Path) -> None:
    """A terminal on stderr sees how far it is; the line is gone at the end."""
    ours, theirs = pty.openpty()
    command = [*COMMAND, "replay", str(log), "--config", str(config), "--jsonl"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=theirs, env=environment()) as process:
        os.close(theirs)
        output, _ = process.communicate(timeout=60)
        said = os.read(ours, 65536)
        os.close(ours)
    assert output.count(b"\n") == len(output.splitlines()) > 0
    assert said.startswith(b"\r\x1b[Kreading")
    assert said.endswith(b"\r\x1b[K")


def test_gzip_and_damage(tmp_path: Path, config: Path) -> None:
    """Bad rows are counted and named with their lines on stderr, the rest is used."""
    path = tmp_path / "log.csv.gz"
    broken = (
        "garbage\n2026-03-01T07:00:00Z,north,pressure,nan,bar\n2026-03-01T07:00:00Z,north,pressure,1,psi\n"
    )
    with gzip.open(path, "wt") as file:
        file.write(HEADER + rows() + broken)
    done = ullage("replay", path, "--config", config, "--jsonl")
    assert done.returncode == 0
    assert any(one["condition"] == "over-pressure" for one in objects(done))
    said = sentences(done)
    assert said[0] == "ullage: 3 bad rows left out (columns 1, unit 1, value 1)"
    assert [line.partition(":")[0] + line.partition(":")[2].partition(":")[0] for line in said[1:]] == [
        "ullage   line 122", "ullage   line 123", "ullage   line 124",
    ]  # fmt: skip


def test_wide_file_by_map(tmp_path: Path, config: Path) -> None:
    """A wide CSV in other units gives the same alarm."""
    path = tmp_path / "wide.csv"
    lines = ["when,temp,gauge"]
    for minute in range(60):
        kilopascal = 260 if minute >= 40 else 100
        lines.append(f"{1772344800 + minute * 60},{68 + minute % 5 / 100},{kilopascal + minute % 3 / 10}")
    path.write_text("\n".join(lines) + "\n")
    columns = "time=when:s,temperature=temp:[degF],pressure=gauge:kPa"
    done = ullage("replay", path, "--config", config, "--jsonl", "--map", columns)
    assert sentences(done) == []
    (over,) = [one for one in objects(done) if one["condition"] == "over-pressure"]
    assert over["time"] == "2026-03-01T06:41:00Z"
    assert over["value"] == pytest.approx(2.602)


def test_vessels_are_told_apart_and_renamed(tmp_path: Path) -> None:
    """Two vessels are merged in order of time; a name that differs is given on the command line."""
    south = BARE.removeprefix("vessels:\n").replace("north", "south").replace("2.5", "9")
    config = write(tmp_path, BARE + south)
    path = tmp_path / "log.csv"
    path.write_text(HEADER + rows("tank 2", over_from=10) + rows("south"))
    done = ullage("replay", path, "--config", config, "--jsonl")
    assert done.returncode == 2
    assert sentences(done) == [
        (
            "ullage: the log's vessel 'tank 2' is not in the configuration, which has north, south; add it there, or say "
            "which one it is: --vessel 'tank 2=north'"
        )
    ]
    done = ullage("replay", path, "--config", config, "--jsonl", "--vessel", "tank 2=north")
    found = [(one["vessel"], one["time"]) for one in objects(done) if one["condition"] == "over-pressure"]
    assert found == [("north", "2026-03-01T06:11:00Z")]


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (["none.csv"], 1, "ullage: none.csv: there is no such file; check the path"),
        (["."], 1, "ullage: .: is a folder; name the log file in it"),
        (["empty.csv"], 1, "ullage: empty.csv: is empty; give a log with the header time,vessel,quantity,value,unit"),
        (["log.csv", "--vessel", "north"], 2, "ullage: --vessel: 'north' is not LOGNAME=CONFIGNAME; as in --vessel 'tank 2=north'"),
        (["log.csv", "--vessel", "nroth=north"], 2, "ullage: --vessel: the log has no vessel 'nroth'; did you mean north?"),
        (["log.csv", "--map", "time=time,pressure=p"], 2, "ullage: --map: the file has no column 'p'; it has time, vessel, quantity, value, unit"),
    ],
)  # fmt: skip
def test_mistakes_are_one_sentence(
    tmp_path: Path, config: Path, log: Path, arguments: list[str], code: int, sentence: str
) -> None:
    """The user's mistakes are named, with the exit code of the contract."""
    (tmp_path / "empty.csv").touch()
    done = ullage("replay", *arguments, "--config", config, "--jsonl", cwd=tmp_path)
    assert (done.returncode, sentences(done), done.stdout) == (code, [sentence], "")


def test_configuration_is_found_by_the_environment(log: Path, config: Path) -> None:
    """Without --config, ULLAGE_CONFIG; without that, the service's own place."""
    assert ullage("replay", log, "--jsonl", env={"ULLAGE_CONFIG": str(config)}).returncode == 0
    done = ullage("replay", log, "--jsonl")
    assert done.returncode == 2
    assert sentences(done)[0].startswith("ullage: /etc/ullage/config.yaml: no such configuration file")


def test_a_reader_that_has_had_enough(tmp_path: Path, config: Path) -> None:
    """Closing the pipe early ends it without a word."""
    path = tmp_path / "long.csv"
    flips = "".join(
        f"{(START + timedelta(minutes=minute)).isoformat()},north,pressure,{2.6 if minute // 4 % 2 else 1.0},bar\n"
        for minute in range(8000)
    )
    path.write_text(HEADER + flips)
    command = [*COMMAND, "replay", str(path), "--config", str(config), "--jsonl"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment()
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline()
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(60) == 0


def _finding(**changes: object) -> Finding:
    known: dict[str, object] = {
        "time_s": 1.5,
        "vessel": "north",
        "condition": Condition.LEAK,
        "state": State.RAISED,
        "priority": Priority.HIGH,
        "text": "Gas is lost.",
    }
    return Finding(**(known | changes))  # type: ignore[arg-type]


def test_what_is_not_known_is_null() -> None:
    """JSON has no NaN; a subject is there only where it tells alarms apart; UTC with Z."""
    found = json.loads(finding_json(_finding(value=float("nan"), evidence=("a", "b"))))
    assert list(found) == KEYS
    assert (found["value"], found["limit"], found["rate_g_per_l_day"]) == (None, None, None)
    assert found["evidence"] == ["a", "b"]
    assert found["time"] == "1970-01-01T00:00:01.500Z"
    assert json.loads(finding_json(_finding(subject="pressure")))["subject"] == "pressure"


def test_a_name_can_t_steer_the_terminal() -> None:
    """Control characters in names and texts are not passed on."""
    lines = finding_lines(
        _finding(vessel="a\x1b[2Jb", text="c\x07d"), LocalTime.named("UTC"), 80, colour=False
    )
    assert "\x1b" not in lines
    assert "\x07" not in lines


def _recorded(*vessels: VesselLog) -> RecordedLog:
    bad = BadRows(total=0, by_reason={}, first=())
    return RecordedLog(vessels={vessel.name: vessel for vessel in vessels}, bad_rows=bad, lines=0)


def _vessel(name: str, minutes: int, entries: tuple[JournalRow, ...] = ()) -> VesselLog:
    time_s = np.array([START.timestamp() + minute * 60 for minute in range(minutes)], np.float64)
    value = np.where(np.arange(minutes) % 10 < 5, 1.0, 2.6)
    return VesselLog(name=name, time_s=time_s, kind=np.ones(minutes, np.uint8), value=value, entries=entries)


def test_findings_do_not_depend_on_the_block(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The stream may be cut anywhere, at journal entries too."""
    vessels = load(write(tmp_path, BARE), {}, live=False).vessels
    entries = tuple(JournalRow(START.timestamp() + minute * 60, "vented") for minute in (0, 7, 7, 33, 200))
    pairs = pair_vessels(_recorded(_vessel("north", 120, entries)), vessels, {})
    whole = list(replay(pairs))
    monkeypatch.setattr("ullage.daemon.replaying.BLOCK_ROWS", 7)
    seen: list[int] = []
    assert list(replay(pairs, seen.append)) == whole
    assert sum(seen) == 120
    assert len(whole) > 10


def test_two_vessels_of_the_log_can_t_be_one(tmp_path: Path) -> None:
    """Readings of two vessels would be judged as if they were one's."""
    vessels = load(write(tmp_path, BARE), {}, live=False).vessels
    log = _recorded(_vessel("north", 3), _vessel("south", 3))
    with pytest.raises(ConfigError, match="two vessels of the log would be 'north'"):
        pair_vessels(log, vessels, {"south": "north"})


def test_a_vessel_filled_anew_is_another_batch() -> None:
    """A log that holds two batches, one after the other, with no word but the brewer's: every notice of both."""
    folder = Path(__file__).parents[2] / "replay_fixtures"
    once = read_log(folder / "heron_pitched_to_tap.csv.gz").vessels["heron"]
    later_s = float(once.time_s[-1]) - once.entries[0].time_s + 24 * 3600
    again = [JournalRow(entry.time_s + later_s, entry.text) for entry in once.entries]
    twice = VesselLog(
        name="heron",
        time_s=np.concatenate([once.time_s, once.time_s + later_s]),
        kind=np.concatenate([once.kind, once.kind]),
        value=np.concatenate([once.value, once.value]),
        entries=(*once.entries, *again),
    )
    vessels = load(folder / "heron_pitched_to_tap.yaml", {}, live=False).vessels

    def told(log: VesselLog) -> list[tuple[Condition, float]]:
        found = replay(pair_vessels(_recorded(log), vessels, {}))
        return [(f.condition, f.time_s) for f in found if f.condition in NOTICES]

    first = told(once)
    assert told(twice) == [*first, *((condition, time_s + later_s) for condition, time_s in first)]
