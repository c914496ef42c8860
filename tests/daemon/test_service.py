"""The whole daemon: a real broker, a real port, a real database, a real receiver, and no mercy."""

import json
import os
import pty
import random
import signal
import subprocess
import sys
import time
import tty
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from tests.servers.broker import Broker
from tests.servers.daemon import DaemonProcess, wait_until
from tests.servers.http_receiver import HttpReceiver
from ullage.daemon.store.alarm_tables import alarm_event
from ullage.daemon.store.store import Store

KILLS = int(os.environ.get("KILLS", "8"))
"""How often the daemon is killed in the loop; a longer run takes about four seconds for each."""
COMMIT_S = 1.0


@pytest.fixture(name="broker")
def _broker(tmp_path: Path) -> Iterator[Broker]:
    broker = Broker.start(tmp_path / "broker")
    yield broker
    broker.stop()


@pytest.fixture(name="receiver")
def _receiver() -> Iterator[HttpReceiver]:
    with HttpReceiver() as receiver:
        yield receiver


def vessel(name: str, **channels: dict[str, object]) -> dict[str, object]:
    return {"name": name, "total_volume_l": 23, "beer_volume_l": 19, "rated_pressure_bar": 2.5, **channels}


def config(tmp_path: Path, receiver: HttpReceiver, **parts: object) -> dict[str, Any]:
    address = tmp_path / "push-url"
    address.write_text(receiver.notify_url)
    address.chmod(0o600)
    return {
        "store": {"url": f"sqlite:///{tmp_path / 'ullage.db'}", "commit_interval_s": COMMIT_S},
        "notify": {"targets": [{"name": "phone", "url_file": str(address)}]},
        "page": {"port": 0},
        **parts,
    }


@pytest.fixture(name="daemon")
def _daemon(tmp_path: Path, broker: Broker, receiver: HttpReceiver) -> Iterator[DaemonProcess]:
    daemon = DaemonProcess(
        directory=tmp_path / "daemon",
        config=config(
            tmp_path,
            receiver,
            vessels=[
                vessel(
                    "north",
                    pressure={
                        "source": "cellar", "topic": "cellar/north", "unit": "bar",
                        "pointer": "/top", "time_pointer": "/t",
                    },
                )
            ],
            sources={"cellar": {"kind": "mqtt", "host": "127.0.0.1", "port": broker.port, "first_pause_s": 0.1}},
        ),
    )  # fmt: skip
    yield daemon
    daemon.kill()


def payload(pressure_bar: float, time_s: float | None = None) -> str:
    return json.dumps({"top": pressure_bar, "t": time.time() if time_s is None else time_s})


def series(*pressures_bar: float) -> list[str]:
    """Return payloads a tenth of a second apart, the last of them now."""
    now_s = time.time()
    return [payload(p, now_s - 0.1 * (len(pressures_bar) - n)) for n, p in enumerate(pressures_bar, 1)]


def subscribed(broker: Broker, daemon: DaemonProcess) -> None:
    """Wait until the daemon's session is there: from then on the broker keeps what it misses."""
    wait_until(lambda: "connected" in daemon.log, "a connection to the broker")


def stored(tmp_path: Path) -> dict[int, float]:
    with Store.open(f"sqlite:///{tmp_path / 'ullage.db'}", read_only=True) as store:
        samples = store.samples("north")
    return dict(
        zip((samples.time_s * 1000).round().astype(int).tolist(), samples.value.tolist(), strict=True)
    )


def raised(tmp_path: Path) -> list[tuple[str, float]]:
    """Return id and time of every over-pressure alarm that was ever raised."""
    event = alarm_event.c
    query = sa.select(event.token, event.time_ms).where(
        event.condition == "over-pressure", event.kind == "raised"
    )
    with (
        Store.open(f"sqlite:///{tmp_path / 'ullage.db'}", read_only=True) as store,
        store.reading() as connection,
    ):
        return [(row.token, row.time_ms / 1000) for row in connection.execute(query.order_by(event.time_ms))]


def test_over_pressure_on_the_broker_becomes_a_message(
    daemon: DaemonProcess, broker: Broker, receiver: HttpReceiver, tmp_path: Path
) -> None:
    """Two readings above the limit: the receiver hears of it; a clean stop leaves every reading stored."""
    daemon.start()
    subscribed(broker, daemon)
    broker.publish("cellar/north", *series(1.0, 2.6, 2.7))
    assert receiver.wait_until(lambda requests: any("2.5" in r.message for r in requests)), daemon.log
    assert daemon.stop() == 0
    assert sorted(stored(tmp_path).values()) == [1.0, 2.6, 2.7]
    assert len(raised(tmp_path)) == 1
    assert "Traceback" not in daemon.log


def test_over_pressure_on_a_serial_port_becomes_a_message(tmp_path: Path, receiver: HttpReceiver) -> None:
    """The same over a pseudo-terminal, which is what a USB probe looks like."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    daemon = DaemonProcess(
        directory=tmp_path / "daemon",
        config=config(
            tmp_path,
            receiver,
            vessels=[vessel("north", pressure={"source": "probe", "key": "top", "unit": "kPa"})],
            sources={"probe": {"kind": "serial", "url": os.ttyname(theirs), "first_pause_s": 0.1}},
        ),
    )
    try:
        daemon.start()
        deadline_s = time.monotonic() + 20
        while not receiver.requests and time.monotonic() < deadline_s:
            os.write(ours, b"top=260.0 beer=18.2\n")
            receiver.wait_until(lambda requests: bool(requests), 0.2)
        assert any("2.5" in request.message for request in receiver.requests), daemon.log
        assert daemon.stop() == 0
    finally:
        daemon.kill()
        os.close(ours)
        os.close(theirs)


def test_a_journal_entry_of_another_program_reaches_the_running_detectors(
    daemon: DaemonProcess, broker: Broker
) -> None:
    """`ullage journal` writes into the database; the daemon looks every second."""
    daemon.start()
    command = [sys.executable, "-m", "ullage.daemon.cli", "journal", "north", "valve", "shut"]
    subprocess.run(
        [*command, "--config", str(daemon.config_path)], check=True, timeout=30, capture_output=True
    )
    wait_until(lambda: "valve shut" in daemon.log, "the journal entry", 10)
    assert daemon.stop() == 0


def test_the_service_manager_is_told_as_long_as_all_is_well(daemon: DaemonProcess) -> None:
    """READY, then pings with the state in plain words at half of what it allows, then STOPPING."""
    daemon.environ = {"WATCHDOG_USEC": "1000000"}
    daemon.start()
    wait_until(lambda: sum("WATCHDOG=1" in words for words in daemon.told()) >= 3, "three pings")
    assert any("Watching 1 vessel" in words for words in daemon.words)
    daemon.signal(signal.SIGTERM)
    wait_until(lambda: any("STOPPING=1" in words for words in daemon.told()), "STOPPING=1")
    assert daemon.stop() == 0


@dataclass
class Brewer:
    """Publishes pressures on and on: calm, and now and then a second above the limit."""

    broker: Broker
    sent: dict[int, float] = field(default_factory=dict)
    episodes: list[tuple[float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.client = self.broker.client("brewer")

    def publish(self, pressure_bar: float, count: int, pause_s: float = 0.02) -> None:
        for _ in range(count):
            time_ms = round(time.time() * 1000)
            value = round(pressure_bar + (time_ms % 1000) / 1e5, 5)  # a number of its own for each
            self.sent[time_ms] = value
            self.client.publish("cellar/north", payload(value, time_ms / 1000), qos=1)
            time.sleep(pause_s)

    def episode(self) -> None:
        start_s = time.time()
        self.publish(2.6, 20)
        self.episodes.append((start_s, time.time()))
        self.publish(1.0, 20)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.mark.timeout(120 + 20 * KILLS)
def test_kills_cost_no_alarm_and_no_more_readings_than_the_commit_interval(
    daemon: DaemonProcess, broker: Broker, receiver: HttpReceiver, tmp_path: Path
) -> None:
    """SIGKILL at random moments while readings and alarms come; the seed is in the failure's output."""
    seed = int(os.environ.get("SEED", "0")) or random.randrange(1, 10**6)
    chance = random.Random(seed)
    print(f"seed {seed}, {KILLS} kills")
    daemon.start()
    subscribed(broker, daemon)
    brewer = Brewer(broker)
    lives_s: list[tuple[float, float]] = []
    started_s = time.time()
    for _ in range(KILLS):
        brewer.publish(1.0, chance.randrange(1, 60))
        if chance.random() < 0.7:
            brewer.episode()
        brewer.publish(1.0, chance.randrange(0, 10))
        daemon.kill()
        lives_s.append((started_s, time.time()))
        brewer.publish(1.0, chance.randrange(0, 20))
        if chance.random() < 0.3:
            brewer.episode()  # nobody is there: the broker keeps it
        daemon.start()
        started_s = time.time()  # nothing is judged before it is ready
    brewer.publish(1.0, 30)
    brewer.episode()
    brewer.close()
    newest_ms = max(brewer.sent)
    time.sleep(2 * COMMIT_S)
    assert daemon.stop() == 0
    kept = stored(tmp_path)
    assert newest_ms in kept, f"the last reading is not there; {daemon.log[-2000:]}"
    _check_readings(brewer, kept, lives_s)
    _check_alarms(brewer, raised(tmp_path), receiver)


def _check_readings(brewer: Brewer, kept: dict[int, float], lives_s: list[tuple[float, float]]) -> None:
    """What is missing was judged no longer than a commit interval before a kill."""
    assert all(brewer.sent[time_ms] == value for time_ms, value in kept.items()), "a reading was changed"
    lost_ms = sorted(brewer.sent.keys() - kept.keys())
    longest_s = 0.0
    for time_ms in lost_ms:
        life = next((life for life in lives_s if life[1] >= time_ms / 1000), None)
        assert life is not None, "a reading was lost without a kill"
        judged_s = max(time_ms / 1000, life[0])
        longest_s = max(longest_s, life[1] - judged_s)
    print(
        f"{len(lost_ms)} of {len(brewer.sent)} readings lost in {len(lives_s)} kills, {longest_s:.2f} s at most"
    )
    assert longest_s <= COMMIT_S + 0.5  # the commit itself takes its time on a busy machine


def _check_alarms(brewer: Brewer, alarms: list[tuple[str, float]], receiver: HttpReceiver) -> None:
    for start_s, end_s in brewer.episodes:
        told = [at_s for _, at_s in alarms if start_s - 0.001 <= at_s <= end_s]
        assert len(told) <= 1, f"one episode was told {len(told)} times"
        standing = any(at_s <= start_s for _, at_s in alarms)
        assert told or standing, "an episode was never told"
    assert len(alarms) <= len(brewer.episodes), "more alarms than episodes"
    received = " ".join(request.title + request.message for request in receiver.accepted)
    missing = [token for token, _ in alarms if token not in received]
    assert not missing, f"alarms stored and never sent: {missing}"
    print(f"{len(alarms)} alarms for {len(brewer.episodes)} episodes")
