"""A batch in the running daemon: a button's word by MQTT, commands beside it, and a restart."""

import json
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.daemon.program import ullage
from tests.servers.broker import Broker
from tests.servers.daemon import DaemonProcess, wait_until
from ullage.daemon.store import batches
from ullage.daemon.store.store import Store
from ullage.detectors.stage import Stage, StageChange


@pytest.fixture(name="broker")
def _broker(tmp_path: Path) -> Iterator[Broker]:
    broker = Broker.start(tmp_path / "broker")
    yield broker
    broker.stop()


@pytest.fixture(name="daemon")
def _daemon(tmp_path: Path, broker: Broker) -> Iterator[DaemonProcess]:
    channel = {"source": "cellar", "topic": "cellar/north", "time_pointer": "/t"}
    daemon = DaemonProcess(
        directory=tmp_path / "daemon",
        config={
            "store": {"url": f"sqlite:///{tmp_path / 'ullage.db'}", "commit_interval_s": 1.0},
            "page": {"port": 0},
            "timezone": "UTC",
            "vessels": [
                {
                    "name": "north",
                    "total_volume_l": 23,
                    "beer_volume_l": 19,
                    "rated_pressure_bar": 2.5,
                    "pressure": {**channel, "unit": "bar", "pointer": "/top"},
                    "temperature": {**channel, "unit": "Cel", "pointer": "/beer"},
                    "journal": {"source": "cellar", "topic": "cellar/north/journal"},
                }
            ],
            "sources": {
                "cellar": {"kind": "mqtt", "host": "127.0.0.1", "port": broker.port, "first_pause_s": 0.1}
            },
        },
    )
    yield daemon
    daemon.kill()


class Cellar:
    """The database, read beside the daemon."""

    def __init__(self, tmp_path: Path) -> None:
        self.url = f"sqlite:///{tmp_path / 'ullage.db'}"

    def entries(self) -> list[str]:
        with Store.open(self.url, read_only=True) as store:
            return [entry.text for entry in store.entries("north")]

    def stages(self) -> list[StageChange]:
        with Store.open(self.url, read_only=True) as store:
            last = batches.newest(store, "north")
            number = 0 if last is None or last.ended_s is not None else last.id
            return list(batches.stages(store, "north", number))

    def names(self) -> list[Stage]:
        return [change.stage for change in self.stages() if change.undone_s is None]


def speak(broker: Broker, hours: float) -> None:
    """Publish a reading a minute over the last hours: a wort that does nothing yet."""
    now_s = time.time()
    told = [
        {"top": 0.01 + 0.001 * (minute % 3), "beer": 19.5, "t": now_s - 60 * minute}
        for minute in range(int(hours * 60), -1, -1)
    ]
    broker.publish("cellar/north", *map(json.dumps, told))


def command(daemon: DaemonProcess, *arguments: str) -> str:
    done = ullage(*arguments, "--config", daemon.config_path)
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


def test_a_batch_lives_through_words_commands_and_restarts(
    daemon: DaemonProcess, broker: Broker, tmp_path: Path
) -> None:
    """A button's entry reaches detectors and store; a batch begins while the daemon runs; a kill forgets nothing."""
    cellar = Cellar(tmp_path)
    daemon.start()
    wait_until(lambda: "connected" in daemon.log, "a session that the broker keeps messages for")
    speak(broker, 3)
    wait_until(lambda: cellar.names() == [Stage.PITCHED, Stage.LAG], "pitched and lag")
    broker.publish("cellar/north/journal", "stage active")
    wait_until(lambda: "stage active" in cellar.entries(), "the entry in the store")
    wait_until(lambda: cellar.names()[-1] is Stage.ACTIVE, "the entry in the detectors")
    assert cellar.stages()[-1].by_brewer
    command(daemon, "batch", "undo", "north")
    wait_until(lambda: cellar.names()[-1] is Stage.LAG, "the change taken back")

    command(daemon, "batch", "start", "north", "--name", "second", "--at", "2 hours ago")
    wait_until(lambda: cellar.names() == [Stage.PITCHED, Stage.LAG], "stages of the new batch")
    assert time.time() - cellar.stages()[0].since_s < 2.1 * 3600
    command(daemon, "journal", "north", "fined", "10")
    wait_until(lambda: cellar.names()[-1] is Stage.FIRST_FINING, "a dose")
    daemon.kill()
    number = next(
        line.split()[0]
        for line in command(daemon, "journal", "north", "--list").splitlines()
        if "fined" in line
    )
    command(daemon, "journal", "north", "--strike", number)  # while nobody runs
    daemon.start()
    wait_until(lambda: cellar.names()[-1] is Stage.LAG, "the struck dose forgotten")
    shown = command(daemon, "status")
    assert "is not running" not in shown
    assert shown.startswith("north: lag, since ")
    assert "second" in shown
    found = json.loads(command(daemon, "status", "--json"))["vessels"][0]
    assert found["stage"]["stage"] == "lag"
    assert found["batch"]["name"] == "second"
    summary = command(daemon, "batch", "end", "north")
    assert "lag" in summary
    wait_until(
        lambda: not cellar.names() or cellar.names() == [Stage.PITCHED], "nothing of the old batch left"
    )
    assert daemon.stop() == 0
