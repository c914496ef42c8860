"""The desk across processes: killed at any moment it loses and repeats nothing; another process can acknowledge."""

import os
import random
import re
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.daemon.desk_child import scripted
from tests.daemon.desk_kit import T0, finding, open_store
from tests.servers.http_receiver import HttpReceiver
from ullage.daemon.alarm_states import AlarmState
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.clock import SystemClock
from ullage.daemon.events import from_finding
from ullage.daemon.routes import Nobody
from ullage.detectors.finding import Condition

ROOT = Path(__file__).parents[2]
UNNOTED = 8
"""Most messages of a flood that are noted as sent in one go."""


@contextmanager
def _child(folder: Path, url: str, count: int) -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "-m", "tests.daemon.desk_child", str(folder), url, str(count)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment, cwd=ROOT) as process:
        try:
            yield process
        finally:
            process.kill()


def _line(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


@pytest.mark.timeout(300)
def test_killed_at_any_moment_it_loses_nothing_and_repeats_nothing(tmp_path: Path) -> None:
    """Fifteen times SIGKILL between judging, writing, sending and marking: each event once, each told at least once.

    A message may reach the phone twice only if it was on its way at a kill or among the few before it that were not yet
    noted as sent, and then under the same id.
    """
    seed = random.randrange(10_000)
    print(f"seed {seed}")
    chance, count, kills = random.Random(seed), 400, 0
    with HttpReceiver() as phone:
        while kills < 15:
            with _child(tmp_path, phone.notify_url, count) as process:
                assert _line(process) == "ready"
                time.sleep(chance.uniform(0, 0.15))  # the random moment
                process.send_signal(signal.SIGKILL)
                process.wait()
                kills += 1
        with _child(tmp_path, phone.notify_url, count) as process:
            assert _line(process) == "ready"
            assert _line(process) == "done"
        letters = [f"{request.title}\n{request.message}" for request in phone.accepted]
    expected = {from_finding(scripted(number), T0).token for number in range(count)}
    with sqlite3.connect(tmp_path / "desk.db") as database:
        stored = Counter(token for (token,) in database.execute("SELECT token FROM alarm_event"))
        unsent = database.execute("SELECT count(*) FROM outbox WHERE state <> 'sent'").fetchone()
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    database.close()
    assert set(stored) == expected
    assert set(stored.values()) == {1}
    assert unsent == (0,)
    told: set[str] = set()
    repeats = 0
    for letter in letters:
        tokens = set(re.findall(r"\bid ([0-9A-Z]{6})", letter))
        repeats += bool(tokens & told)
        told |= tokens
    assert told == expected
    assert repeats <= kills * (1 + UNNOTED)


def test_another_process_acknowledges(tmp_path: Path) -> None:
    """What one process acknowledges the running one knows within a second or two, and stops reminding of."""
    clock = SystemClock()
    script = (
        "import sys\n"
        "from pathlib import Path\n"
        "from tests.daemon.desk_kit import open_store\n"
        "from ullage.daemon.alarms import AlarmDesk\n"
        "from ullage.daemon.clock import SystemClock\n"
        "from ullage.daemon.routes import Nobody\n"
        "with open_store(Path(sys.argv[1])) as store:\n"
        "    desk = AlarmDesk(store, Nobody(), SystemClock(), from_memory=False)\n"
        "    print([alarm.key.condition for alarm in desk.acknowledge('north', None, 'Ada')], flush=True)\n"
    )
    with open_store(tmp_path) as store:
        desk = AlarmDesk(store, Nobody(), clock)
        desk.take([finding(Condition.OVER_PRESSURE, time_s=clock.wall_s())])
        result = subprocess.run(
            [sys.executable, "-c", script, str(tmp_path)],
            capture_output=True,
            text=True,
            check=True,
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        assert result.stdout.strip() == "['over-pressure']"
        assert desk.standing()[0].state is AlarmState.UNACKNOWLEDGED  # nothing has looked yet
        desk.tick()
        assert desk.standing()[0].state is AlarmState.ACKNOWLEDGED
        assert desk.standing()[0].acknowledged_by == "Ada"
        assert desk.remind() == ()


def test_two_desks_at_once_lose_nothing(tmp_path: Path) -> None:
    """While one process takes findings another acknowledges all the time: every alarm ends as it must."""
    script = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from tests.daemon.desk_kit import open_store\n"
        "from ullage.daemon.alarms import AlarmDesk\n"
        "from ullage.daemon.clock import SystemClock\n"
        "from ullage.daemon.routes import Nobody\n"
        "with open_store(Path(sys.argv[1])) as store:\n"
        "    desk = AlarmDesk(store, Nobody(), SystemClock(), from_memory=False)\n"
        "    print('ready', flush=True)\n"
        "    while not (Path(sys.argv[1]) / 'stop').exists():\n"
        "        desk.acknowledge('north', None, 'Ada')\n"
        "        time.sleep(0.01)  # SQLite's write lock is not fair: who asks without a pause starves the other\n"
        "    desk.acknowledge('north', None, 'Ada')\n"
    )
    with open_store(tmp_path) as store:
        desk = AlarmDesk(store, Nobody(), SystemClock())
        command = [sys.executable, "-c", script, str(tmp_path)]
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        with subprocess.Popen(
            command, stdout=subprocess.PIPE, text=True, cwd=ROOT, env=environment
        ) as process:
            assert _line(process) == "ready"
            for number in range(60):
                desk.take([finding(subject=f"s{number}")])
                desk.tick()
            (tmp_path / "stop").touch()
            assert process.wait(60) == 0
        desk.tick()
        states = Counter(alarm.state for alarm in desk.standing())
        assert states == {AlarmState.ACKNOWLEDGED: 60}
        assert desk.health().storing
        causes = Counter(change.cause.value for change in desk.transitions(limit=1000))
        assert causes == {"raised": 60, "acknowledged": 60}
