"""The command line as a user meets it: real processes, exit codes, sentences."""

import io
import json
import logging
import os
import signal
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.daemon.configs import BARE, EXAMPLE, write
from tests.daemon.program import COMMAND, environment, sentences, ullage
from ullage.adapters.reading import Quantity, Reading
from ullage.adapters.recorded_log import read_log
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.cli import build_parser, main
from ullage.daemon.clock import SystemClock
from ullage.daemon.logs import KeyValueFormatter
from ullage.daemon.routes import Nobody
from ullage.daemon.store.store import Store
from ullage.detectors.finding import Condition, Finding, Priority, State

CONTRACT = {
    "run",
    "demo",
    "replay",
    "check",
    "status",
    "journal",
    "export",
    "backup",
    "restore",
    "ack",
    "shelve",
}
"""Commands of the design that this stage has."""


@pytest.fixture(name="config")
def _config(tmp_path: Path) -> Path:
    """A configuration whose database holds two readings and a standing alarm."""
    path = write(tmp_path, EXAMPLE)
    clock = SystemClock()
    now_s = clock.wall_s()
    with Store.open(f"sqlite:///{tmp_path}/ullage.db") as store:
        store.append(
            [
                Reading("north", Quantity.TEMPERATURE, now_s - 120, 19.5),
                Reading("north", Quantity.PRESSURE, now_s - 3600, 2.61),
            ]
        )
        AlarmDesk(store, Nobody(), clock).take([over_pressure(now_s - 60)])
    return path


@dataclass(frozen=True, slots=True)
class Said:
    """What a command gave back."""

    code: int
    out: str
    err: str


Here = Callable[..., Said]


@pytest.fixture(name="here")
def _here(config: Path, capsys: pytest.CaptureFixture[str]) -> Here:
    """Runs a command within this process, on the configuration: quicker by the interpreter's start."""

    def run(*arguments: str | Path) -> Said:
        code = main([*map(str, arguments), "--config", str(config)])
        said = capsys.readouterr()
        return Said(code, said.out, said.err)

    return run


def over_pressure(time_s: float) -> Finding:
    """Return an alarm as the detectors give it."""
    return Finding(
        time_s=time_s,
        vessel="north",
        condition=Condition.OVER_PRESSURE,
        state=State.RAISED,
        priority=Priority.CRITICAL,
        text="Pressure 2.61 bar is above the rated 2.50 bar.",
        value=2.61,
        limit=2.5,
        unit="bar",
    )


def test_every_command_of_the_contract_has_its_help() -> None:
    """Each is there, imports and explains itself."""
    help_text = ullage("--help").stdout
    for name in sorted(CONTRACT):
        assert f"\n    {name} " in help_text
        done = ullage(name, "--help")
        assert (done.returncode, done.stderr) == (0, "")
        assert ("--config" in done.stdout) is (name != "demo")


def test_every_command_has_a_handler() -> None:
    """No command without its module."""
    parser = build_parser()
    (commands,) = [action.choices for action in parser._actions if isinstance(action.choices, dict)]
    handlers = {sub.get_default("handler") for sub in commands.values()}
    folder = Path(__file__).parents[2] / "daemon" / "commands"
    modules = {path.stem for path in folder.glob("*.py")} - {"__init__", "common"}
    assert handlers == modules


def test_help_imports_nothing_heavy() -> None:
    """Whoever asks for help on a small computer does not wait for numpy."""
    code = (
        "import sys\nfrom ullage.daemon.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "print([m for m in ('numpy', 'scipy', 'sqlalchemy', 'pydantic', 'paho', 'apprise', 'yaml') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment()
    )
    assert done.stdout.splitlines()[-1] == "[]"


def test_a_replay_does_without_the_database() -> None:
    """A log has no store: its library would cost a quarter of a second and 8 MB on a desk, several times that on a Pi."""
    fixtures = Path(__file__).parents[2] / "replay_fixtures"
    arguments = [
        "replay", str(fixtures / "heron_pitched_to_tap.csv.gz"), "--config", str(fixtures / "heron_pitched_to_tap.yaml"),
    ]  # fmt: skip
    code = (
        f"import sys\nfrom ullage.daemon.cli import main\nmain({arguments})\n"
        "print([m for m in ('scipy', 'sqlalchemy', 'alembic', 'paho', 'apprise') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment()
    )
    assert done.stdout.splitlines()[-1] == "[]"


def test_help_is_quick() -> None:
    """Beyond what the interpreter itself takes, help takes less than 60 ms of processor time, by the median."""
    bare = statistics.median(_cpu_s("-c", "import argparse") for _ in range(5))
    ours = statistics.median(_cpu_s("-m", "ullage.daemon.cli", "--help") for _ in range(5))
    assert ours - bare < 0.060


def _cpu_s(*arguments: str) -> float:
    before = os.times()
    subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL, env=environment())
    after = os.times()
    return after.children_user - before.children_user + after.children_system - before.children_system


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["replya"], "ullage: there is no command 'replya'; did you mean replay?"),
        (["replay"], "ullage replay: the following arguments are required: LOG; see `ullage replay --help`"),
        (["status", "--jsn"], "ullage status: unrecognized arguments: --jsn; see `ullage status --help`"),
        (["shelve", "north"], "ullage shelve: the following arguments are required: CONDITION; see `ullage shelve --help`"),
        (["check", "--listen", "soon"], "ullage check: argument --listen: 'soon' is no number; see `ullage check --help`"),
        (["demo", "--port", "http"], "ullage demo: argument --port: 'http' is no whole number; see `ullage demo --help`"),
        (["batch", "start", "north", "--serving", "cold"], "ullage batch start: argument --serving: 'cold' is no number, alone or in C or F; see `ullage batch start --help`"),
    ],
)  # fmt: skip
def test_wrong_use_is_one_sentence(arguments: list[str], sentence: str) -> None:
    """Exit 2, on stderr alone."""
    done = ullage(*arguments)
    assert (done.returncode, sentences(done), done.stdout) == (2, [sentence], "")


def test_a_terminal_that_knows_few_signs_gets_the_rest(config: Path) -> None:
    """A sign that can't be shown costs that sign alone; what is for programs is UTF-8 all the same."""
    env = {"PYTHONIOENCODING": "ascii"}
    assert "19.5 ?C" in ullage("status", "--config", config, env=env).stdout
    entered = ullage("journal", "north", "gebräut ☺", "--config", config, env=env)
    assert (entered.returncode, entered.stderr) == (0, "")
    assert "gebräut ☺" in ullage("export", "--config", config, env=env).stdout


def test_without_a_command_it_explains_itself() -> None:
    """No command is wrong use, and the help is what is needed."""
    done = ullage()
    assert done.returncode == 2
    assert "commands:" in done.stdout


def test_version() -> None:
    """The installed version."""
    assert ullage("--version").stdout == "ullage 0.1.0\n"


def test_status_shows_readings_and_alarms(config: Path) -> None:
    """That nobody watches, latest readings with age, old ones marked, the standing alarm."""
    done = ullage("status", "--config", config)
    assert done.returncode == 0
    unwatched, *lines = done.stdout.splitlines()
    assert unwatched == "! `ullage run` is not running: nobody watches the vessels, and nothing is told"
    assert lines[0] == "north"
    assert lines[1].split() == ["temperature", "19.5", "°C", "2", "min", "ago"]
    assert lines[2].split() == ["pressure", "2.61", "bar", "1", "h", "ago,", "OLD"]
    assert lines[3].startswith("  ! over-pressure [critical] unacknowledged, since ")
    found = json.loads(ullage("status", "--config", config, "--json").stdout)
    (vessel,) = found["vessels"]
    assert vessel["latest"]["pressure"]["value"] == 2.61
    assert vessel["latest"]["pressure"]["age_s"] == pytest.approx(3600, abs=60)
    assert [alarm["condition"] for alarm in vessel["alarms"]] == ["over-pressure"]


def test_ack_reaches_the_database(here: Here) -> None:
    """Who and what; a second time there is nothing to acknowledge, which is said with exit 1."""
    done = here("ack", "north", "--by", "Robin")
    assert (done.code, done.out) == (0, "north: over-pressure acknowledged, still there\n")
    again = here("ack", "north")
    assert again.code == 1
    assert again.err == (
        "ullage: north: no alarm waits to be acknowledged; it has over-pressure, acknowledged already\n"
    )
    alarm = json.loads(here("status", "--json").out)["vessels"][0]["alarms"][0]
    assert (alarm["state"], alarm["acknowledged_by"]) == ("acknowledged", "Robin")


def test_over_pressure_can_t_be_shelved(here: Here) -> None:
    """The safety alarm is refused, others are shelved for a limited time and can be brought back."""
    done = here("shelve", "north", "over-pressure")
    assert done.code == 2
    assert done.err == "ullage: over-pressure: can't be shelved; acknowledge it, and lower the pressure\n"
    assert here("shelve", "north", "leak", "--hours", "13").code == 2
    assert here("shelve", "north", "leak", "--hours", "2").code == 0
    assert "- leak is shelved until" in here("status").out
    assert here("unshelve", "north", "leak").code == 0
    assert here("unshelve", "north", "leak").code == 1


def test_journal_and_export_make_a_log_that_replays(here: Here, tmp_path: Path) -> None:
    """What was stored comes back, entries at their place in time."""
    done = here("journal", "north", "valve", "set", "1.5", "--at", "2026-03-01T06:00:00Z")
    assert (done.code, done.out) == (0, "north: valve set 1.5 (Sun 01 Mar 06:00), entry 1\n")
    path = tmp_path / "out.csv.gz"
    done = here("export", "north", "-o", path)
    assert (done.code, done.out) == (0, f"{path}: 3 rows\n")
    log = read_log(path).vessels["north"]
    assert [(entry.time_s, entry.text) for entry in log.entries] == [
        (datetime(2026, 3, 1, 6, tzinfo=UTC).timestamp(), "valve set 1.5")
    ]
    assert sorted(log.value.tolist()) == [2.61, 19.5]
    assert here("replay", path, "--jsonl").code == 0
    printed = here("export", "--since", "2026-03-01", "--until", "2026-03-02").out
    assert printed == "time,vessel,quantity,value,unit\n2026-03-01T06:00:00Z,north,journal,valve set 1.5,\n"


def test_the_air_is_kept_exported_and_shown(here: Here, tmp_path: Path) -> None:
    """A second thermometer goes with its vessel, into the log by the words of the format and out of it again."""
    now_s = SystemClock().wall_s()
    with Store.open(f"sqlite:///{tmp_path}/ullage.db") as store:
        store.append([Reading("north", Quantity.AIR_TEMPERATURE, now_s - 100, 4.5)])
    assert "\n  air           4.5 °C" in here("status").out
    assert json.loads(here("status", "--json").out)["vessels"][0]["latest"]["air_temperature"]["value"] == 4.5
    path = tmp_path / "out.csv"
    assert here("export", "north", "-o", path).code == 0
    assert ",north/air,temperature,4.5,Cel" in path.read_text()
    assert 4.5 in read_log(path).vessels["north"].value.tolist()
    assert here("replay", path, "--jsonl").code == 0


def test_an_entry_in_psi_is_kept_in_bar(here: Here) -> None:
    """It is understood, and limits hold for it."""
    said = here("journal", "north", "valve", "set", "20", "psi", "--at", "2026-03-01T06:00:00Z").out
    assert said == "north: valve set 1.38 bar (Sun 01 Mar 06:00), entry 1\n"
    assert "'valve set 13.79 bar' can't be" in here("journal", "north", "valve set 200 psi").err


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ("export -o ullage.db", "--output: ullage.db is the database and would be lost; name another file"),
        ("export -o link.csv", "--output: link.csv is the database and would be lost; name another file"),
        ("export -o config.yaml", "--output: config.yaml is the configuration and would be lost"),
        ("export -o /dev/null", "--output: /dev/null is no plain file; name a new file"),
        ("replay log.csv --report ./log.csv", "--report: ./log.csv is a log that is read and would be lost"),
        ("replay log.csv --png config.yaml", "--png: config.yaml is the configuration and would be lost"),
        ("tune log.csv --write log.csv", "--write: log.csv is a log that is read and would be lost"),
        ("tune log.csv --write log.truth.json", "--write: log.truth.json is what was true of a log"),
    ],
)
def test_what_it_lives_on_is_never_written_over(
    here: Here, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: str, told: str
) -> None:
    """A name mistyped costs no readings: configuration, database and logs stand as they stood."""
    monkeypatch.chdir(tmp_path)
    assert here("export", "-o", "log.csv").code == 0
    Path("log.truth.json").write_text("{}")
    Path("link.csv").symlink_to("ullage.db")
    before = {name: Path(name).read_bytes() for name in ("config.yaml", "log.csv", "log.truth.json")}
    done = here(*arguments.split())
    assert done.code == 2
    assert told in done.err
    assert {name: Path(name).read_bytes() for name in before} == before
    assert Path("ullage.db").read_bytes().startswith(b"SQLite format 3")


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (["journal", "nroth", "x"], 2, "there is no vessel 'nroth' in the configuration; did you mean north?"),
        (["journal", "north", "x", "--at", "noon"], 2, "--at: 'noon' is no time; write it like `20 minutes ago`, 18:30, `yesterday 18:30`, 2026-01-31T22:04 or 2026-01-31T22:04:05Z"),
        (["journal", "north", "x", "--at", "2199-01-01"], 2, "--at: '2199-01-01' lies in the future; the journal is for what has happened"),
        (["journal", "north", " "], 2, "ENTRY: must be printable text; as in `valve shut`"),
        (["ack", "keg"], 2, "there is no vessel 'keg' in the configuration; known here: north"),
        (["ack", "installation"], 1, "installation: no alarm waits to be acknowledged; none stands there"),
        (["export", "nort"], 2, "nothing is stored for a vessel 'nort'; did you mean north?"),
        (["export", "--since", "2026-01-02", "--until", "2026-01-01"], 2, "--since: '2026-01-02' is not before --until '2026-01-01'"),
        (["export", "-o", "/nowhere/x.csv"], 1, "/nowhere/x.csv: can't be written (No such file or directory)"),
        (["backup", "ullage.db"], 1, "ullage.db: is there already; choose another name or move it away"),
        (["restore", "none.db"], 1, "none.db: there is no such file"),
        (["restore", "config.yaml"], 1, "config.yaml: reading failed: file is not a database; check store.url, or restore a backup"),
    ],
)  # fmt: skip
def test_mistakes_are_one_sentence(
    config: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    code: int,
    sentence: str,
) -> None:
    """What is wrong and what would be right, with the exit code of the contract."""
    monkeypatch.chdir(tmp_path)
    assert main([*arguments, "--config", str(config)]) == code
    said = capsys.readouterr()
    assert (said.err, said.out) == (f"ullage: {sentence}\n", "")


def test_without_a_database_it_says_so(tmp_path: Path) -> None:
    """Nothing is made by looking."""
    done = ullage("status", "--config", write(tmp_path, BARE))
    assert done.returncode == 1
    assert sentences(done) == [
        f"ullage: {tmp_path}/ullage.db: there is no database yet; start `ullage run` once, or check store.url"
    ]
    assert not (tmp_path / "ullage.db").exists()


def test_backup_and_restore(here: Here, tmp_path: Path) -> None:
    """The copy takes the place of the database, which is kept."""
    copy = tmp_path / "copy.db"
    done = here("backup", copy)
    assert done.code == 0
    assert copy.stat().st_mode & 0o077 == 0
    here("journal", "north", "tapped")
    done = here("restore", copy)
    assert done.code == 0
    assert "is the database now; the one before is kept as" in done.out
    assert "tapped" not in here("export").out
    assert "over-pressure" in here("status").out


def test_run_refuses_to_watch_nothing(tmp_path: Path) -> None:
    """A daemon that reads nothing would look like one that is well."""
    path = write(tmp_path, BARE)
    done = ullage("run", "--config", path)
    assert done.returncode == 2
    assert sentences(done) == [
        (
            f"ullage: {path}: no vessel has a channel with a source: nothing would be watched; give a vessel pressure: or "
            "temperature: with a source"
        )
    ]


def test_a_file_that_may_not_be_read(tmp_path: Path) -> None:
    """Permission is named, not traced; run as another user since root may read everything."""
    path = write(tmp_path, BARE)
    path.chmod(0)
    for parent in [tmp_path, *tmp_path.parents][:3]:
        parent.chmod(parent.stat().st_mode | 0o011)
    # everything is imported while the program may still be read
    become = "import os; os.setuid(65534)\n" if os.getuid() == 0 else ""
    code = f"import sys, ullage.daemon.commands.status\n{become}from ullage.daemon.cli import main\nsys.exit(main(sys.argv[1:]))"
    done = subprocess.run(
        [sys.executable, "-c", code, "status", "--config", str(path)],
        capture_output=True, text=True, check=False, env=environment(), timeout=60,
    )  # fmt: skip
    assert done.returncode == 2, done.stderr
    assert sentences(done) == [f"ullage: {path}: can't be read: Permission denied; check its owner and mode"]


def test_ctrl_c_is_clean(config: Path, tmp_path: Path) -> None:
    """Interrupted while it works: 130, no traceback."""
    pipe = tmp_path / "log.csv"
    os.mkfifo(pipe)  # reading it waits for a writer that never says anything
    command = [*COMMAND, "replay", str(pipe), "--config", str(config)]
    with subprocess.Popen(command, stderr=subprocess.PIPE, env=environment(), text=True) as process:
        writer = _when_read(pipe)
        _until_it_waits(process.pid)
        process.send_signal(signal.SIGINT)
        try:
            _, said = process.communicate(timeout=60)
        finally:
            process.kill()
            os.close(writer)
    assert (process.returncode, said) == (130, "")


def _when_read(pipe: Path) -> int:
    """Open a pipe for writing as soon as somebody reads it (fifo(7): ENXIO until then)."""
    deadline_s = time.monotonic() + 60
    while True:
        try:
            return os.open(pipe, os.O_WRONLY | os.O_NONBLOCK)
        except OSError:
            if time.monotonic() > deadline_s:
                raise
            time.sleep(0.02)


def _until_it_waits(pid: int) -> None:
    """Until the process sleeps (proc(5): S), here in the pipe's read.

    A signal that comes in the moment between CPython's last look for one and the call into the kernel is only noted,
    and the read waits on. A person would press the keys once more.
    """
    deadline_s = time.monotonic() + 60
    while Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "S":
        assert time.monotonic() < deadline_s
        time.sleep(0.02)


@pytest.fixture(name="broken_command")
def _broken_command(monkeypatch: pytest.MonkeyPatch) -> None:
    """A program with a fault in it."""

    def handler(_name: str) -> object:
        raise ZeroDivisionError("a fault")

    monkeypatch.setattr("ullage.daemon.cli._handler", handler)


@pytest.mark.usefixtures("broken_command")
def test_a_fault_of_the_program_is_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The traceback goes to a private file that the sentence names."""
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    monkeypatch.delenv("JOURNAL_STREAM", raising=False)
    assert main(["status"]) == 1
    (path,) = tmp_path.glob("ullage-error-*.txt")
    said = capsys.readouterr().err
    assert (
        said
        == f"ullage: unexpected ZeroDivisionError; this is a fault of the program, its details are in {path}\n"
    )
    assert "a fault" in path.read_text()
    assert path.stat().st_mode & 0o077 == 0


@pytest.mark.usefixtures("broken_command")
def test_a_fault_of_the_service_is_in_the_journal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A service's temporary files are gone when somebody looks."""
    monkeypatch.setenv("JOURNAL_STREAM", "8:1")
    assert main(["status"]) == 1
    assert "Traceback" in capsys.readouterr().err


def _logged(formatter: logging.Formatter, event: str, **extra: object) -> str:
    stream = io.StringIO()
    handler = logging.StreamHandler(stream)
    handler.setFormatter(formatter)
    record = logging.makeLogRecord(
        {"msg": event, "levelno": logging.WARNING, "levelname": "WARNING", "created": 0, **extra}
    )
    handler.emit(record)
    return stream.getvalue()


def test_log_lines_are_key_value() -> None:
    """A constant event, pairs behind it, quoted where needed, never more than one line."""
    line = _logged(
        KeyValueFormatter(journal=False), "source failed", source="cellar", error='no "route"\nhere', n=3
    )
    assert (
        line
        == '1970-01-01T00:00:00Z warning source failed source=cellar error="no \\"route\\"\\x0ahere" n=3\n'
    )


def test_log_lines_for_the_journal_carry_their_priority() -> None:
    """sd-daemon(3): `<4>` is a warning; the journal has the time itself."""
    assert _logged(KeyValueFormatter(journal=True), "source failed", n=3) == "<4>warning source failed n=3\n"
