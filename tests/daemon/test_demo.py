"""The demo: a whole batch through the real pipeline, fast."""

import io
import os
import pty
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from ullage.daemon import batches
from ullage.daemon.alarm_states import AlarmKey
from ullage.daemon.demo import ALE, DAYS, LAGER, OPENING, Demo, DemoSettings
from ullage.daemon.demo_brewer import Brewer
from ullage.daemon.events import EventKind, own_event
from ullage.daemon.screen import ERASE_LINE, Screen
from ullage.daemon.store import batches as stored
from ullage.daemon.store.store import Store
from ullage.detectors.ending_told import STAY_SHUT
from ullage.detectors.finding import Condition, Priority
from ullage.detectors.journal import STAGES
from ullage.detectors.samples import Kind

COMMAND = [sys.executable, "-m", "ullage.daemon.cli", "demo"]


@pytest.fixture(name="played", scope="module")
def _played(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path]:
    """Output and database of one run as fast as it goes."""
    path = tmp_path_factory.mktemp("demo") / "demo.db"
    done = subprocess.run(
        [*COMMAND, "--speed", "0", "--db", str(path)],
        capture_output=True,
        text=True,
        timeout=110,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    return done.stdout, path


def test_it_says_first_that_nothing_of_it_is_real_and_what_protects(played: tuple[str, Path]) -> None:
    """One line before anything else."""
    first = played[0].splitlines()[0]
    assert first == OPENING
    assert "simulation" in first
    assert "invented" in first
    assert "relief valve" in first


def test_a_batch_goes_from_the_first_bubbles_to_the_chill(played: tuple[str, Path]) -> None:
    """Each vessel becomes active, is held by its valve, is found finished, and is chilled only then."""
    output, _ = played
    for name in (ALE, LAGER):
        line = next(line for line in output.splitlines() if line.startswith(f"{name}: "))
        days = {what: float(day) for what, day in re.findall(r"([a-z-]+) day (\d+\.\d)", line)}
        assert days["activity"] < days["held"] < days["finished"] < days["chilled"]
        chill = re.search(rf"day (\d+\.\d): the brewer enters for {name}: chill 2", output)
        assert chill is not None
        assert days["finished"] <= float(chill[1]) <= days["chilled"]


def test_the_brewer_does_what_the_messages_ask(played: tuple[str, Path]) -> None:
    """Whoever is asked for a test shuts the valve."""
    output, _ = played
    asked = {
        name for name in (ALE, LAGER) if re.search(rf"^{name}: .*finish-suspected", output, re.MULTILINE)
    }
    tested = {name for name in (ALE, LAGER) if f"the brewer enters for {name}: valve shut" in output}
    assert asked == tested
    assert asked, "the lager's valve passes smoothly: only a test can tell"


def test_both_vessels_walk_through_every_stage_unattended(played: tuple[str, Path]) -> None:
    """From pitching to the tap, each stage in the order of the trade.

    The lager has a warm rest in its plan and wants one dose of finings, the ale two doses and no rest: between them, all.
    """
    output, path = played
    for name in (ALE, LAGER):
        days = {
            stage: float(day)
            for stage in STAGES
            for day in re.findall(rf"day (\d+\.\d): {name}, stage {stage}: \S", output)
        }
        assert set(STAGES) - set(days) == {"second fining" if name == LAGER else "warm rest"}
        assert list(days.values()) == sorted(days.values())
        with Store.open(f"sqlite:///{path}", read_only=True) as store:
            batch = batches.current(store, name)
            assert batch is not None
            kept = {change.stage.value for change in stored.stages(store, name, batch.id)}
        assert kept == set(days)


def test_what_was_judged_is_in_the_database(played: tuple[str, Path]) -> None:
    """The summary counts it, and says where it is."""
    output, path = played
    found = re.search(r"([\d,]+) readings judged and stored", output)
    assert found is not None
    assert str(path) in output
    with Store.open(f"sqlite:///{path}", read_only=True) as store:
        kept = sum(len(store.samples(name)) for name in (ALE, LAGER))
        entries = [entry.text for entry in store.entries(ALE)]
        assert Kind.AIR in store.samples(LAGER).kind
    assert kept == int(found[1].replace(",", ""))
    assert entries[:2] == ["batch started", "pitched"]
    assert "chill 2" in entries


def test_ctrl_c_ends_it_with_the_summary_so_far() -> None:
    """Whoever has seen enough is not kept."""
    demo = subprocess.Popen(
        [*COMMAND, "--minutes", "5"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert demo.stdout is not None
    assert demo.stdout.readline().strip() == OPENING
    assert demo.stdout.readline()
    demo.send_signal(signal.SIGINT)
    output, errors = demo.communicate(timeout=60)
    assert demo.returncode == 0
    assert "simulated days" in output
    assert "Traceback" not in errors


def test_the_speed_is_what_was_asked_for() -> None:
    """At sixteen days in a minute, three seconds are most of a day."""
    demo = Demo(DemoSettings(speed=DAYS * 86_400 / 60, url="sqlite://"), Screen(io.StringIO()))
    start_s = time.monotonic()
    try:
        demo.play(until=lambda: time.monotonic() - start_s > (3 if demo.day > 0.2 else 60))
        day, took_s = demo.day, time.monotonic() - start_s
    finally:
        demo.close()
    # it may fall behind on a busy machine, and is never ahead
    assert 0.2 < day < took_s * DAYS / 60 + 0.5


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["--speed", "-1"], "--speed"),
        (["--minutes", "0"], "--minutes"),
        (["--speed", "2", "--minutes", "2"], "not allowed with"),
    ],
)
def test_wrong_use_is_named(words: list[str], complaint: str) -> None:
    """Exit 2 and one sentence."""
    done = subprocess.run([*COMMAND, *words], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 2
    assert complaint in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_a_database_that_is_there_already_is_left_alone(tmp_path: Path) -> None:
    """The demo's invented readings must not end up among real ones."""
    path = tmp_path / "real.db"
    path.write_bytes(b"precious")
    done = subprocess.run(
        [*COMMAND, "--db", str(path)], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 2
    assert "is there already" in done.stderr
    assert path.read_bytes() == b"precious"


class Diary:
    """What the brewer does and says."""

    def __init__(self) -> None:
        self.acts: list[tuple[str, str]] = []
        self.brewer = Brewer((ALE, LAGER), self._act, lambda vessel, entry: None)
        self.now_s = 0.0

    def _act(self, vessel: str, entry: str, quiet: bool) -> None:
        self.acts.append((vessel, entry))

    def hear(self, vessel: str, condition: Condition, text: str = "") -> None:
        event = own_event(AlarmKey(vessel, condition.value), EventKind.NOTED, Priority.LOW, text, self.now_s)
        self.brewer.hear(event, self.now_s)
        self.now_s += 2 * 3600
        self.brewer.mind(self.now_s)


def test_the_brewer_chills_only_when_the_last_vessel_has_finished() -> None:
    """The two share a fridge."""
    diary = Diary()
    diary.hear(ALE, Condition.FINISH_SUSPECTED)
    diary.hear(ALE, Condition.FINISHED)
    assert diary.acts == [(ALE, "valve shut")]
    diary.hear(LAGER, Condition.FINISHED)
    assert [act for act in diary.acts if act[1].startswith("chill")] == [(ALE, "chill 2"), (LAGER, "chill 2")]


def test_the_brewer_opens_the_valve_when_the_test_says_no() -> None:
    """And shuts it again at the next suspicion."""
    diary = Diary()
    for condition in (Condition.FINISH_SUSPECTED, Condition.STILL_FERMENTING, Condition.FINISH_SUSPECTED):
        diary.hear(ALE, condition)
    assert [entry for _, entry in diary.acts] == ["valve shut", "valve opened", "valve shut"]


def test_the_brewer_leaves_the_valve_shut_when_the_test_goes_on() -> None:
    """Opened, it would have to begin anew."""
    diary = Diary()
    diary.hear(ALE, Condition.FINISH_SUSPECTED)
    diary.hear(ALE, Condition.STILL_FERMENTING, f"Gas still comes. {STAY_SHUT} for 6 h in all.")
    assert [entry for _, entry in diary.acts] == ["valve shut"]


def test_messages_appear_above_the_progress_line_of_a_terminal() -> None:
    """The line is wiped, the message printed, the line drawn again."""
    ours, theirs = pty.openpty()
    try:
        with os.fdopen(theirs, "w", encoding="utf-8") as terminal:
            screen = Screen(terminal)
            screen.progress("day 1.0", 1)
            screen.write("a message\n")
            screen.end_progress()
            wanted = f"{ERASE_LINE}day 1.0{ERASE_LINE}a message\r\nday 1.0{ERASE_LINE}"
            shown = ""
            while len(shown) < len(wanted):  # a terminal hands over what was written in pieces
                shown += os.read(ours, 4096).decode()
    finally:
        os.close(ours)
    assert shown == wanted


def test_no_word_is_broken_at_the_edge_of_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lines are wrapped, set in as they begin, and the progress line is cut; what is piped on stays as it is."""
    monkeypatch.setenv("COLUMNS", "40")
    text = f"· {'bubble ' * 9}\n  {'quiet ' * 9}\nshort\n"
    stream = io.StringIO()
    Screen(stream).write(text)
    assert stream.getvalue() == text
    monkeypatch.setattr(stream, "isatty", lambda: True)
    stream.truncate(stream.seek(0))
    screen = Screen(stream)
    screen.write(text)
    screen.progress("day " * 20, 1)
    *lines, drawn = stream.getvalue().split("\n")
    assert [line.rstrip() for line in lines] == [
        "· bubble bubble bubble bubble bubble",
        "  bubble bubble bubble bubble",
        "  quiet quiet quiet quiet quiet quiet",
        "  quiet quiet quiet",
        "short",
    ]
    assert len(drawn.removeprefix(ERASE_LINE)) == 39


def test_without_a_terminal_progress_is_a_line_for_each_mark() -> None:
    """A log of the demo stays short."""
    stream = io.StringIO()
    screen = Screen(stream)
    for day in (1.0, 1.1, 1.9, 2.0):
        screen.progress(f"day {day}", int(day))
    assert stream.getvalue() == "day 1.0\nday 2.0\n"


def test_its_page_is_served_meanwhile() -> None:
    """The address stands in the second line; the page says that it is a simulation, and ends with the demo."""
    process = subprocess.Popen(
        [*COMMAND, "--minutes", "0.5", "--port", "0"], stdout=subprocess.PIPE, text=True, encoding="utf-8"
    )
    try:
        assert process.stdout is not None
        process.stdout.readline()
        address = re.search(r"(http://127\.0\.0\.1:\d+/)$", process.stdout.readline())
        assert address is not None
        with urllib.request.urlopen(address[1], timeout=20) as answer:
            page = answer.read().decode()
        assert OPENING in page
        assert ALE in page
        assert LAGER in page
    finally:
        process.send_signal(signal.SIGINT)
        assert process.wait(60) == 0
        assert process.stdout is not None
        process.stdout.close()
    with pytest.raises(urllib.error.URLError):
        urllib.request.urlopen(address[1], timeout=5)


def test_a_port_that_is_asked_for_and_taken() -> None:
    """It is said, instead of another one being taken in silence."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        done = subprocess.run(
            [*COMMAND, "--port", str(port)], capture_output=True, text=True, timeout=60, check=False
        )
    assert done.returncode == 2
    assert f"can't be served at 127.0.0.1:{port}" in done.stderr
