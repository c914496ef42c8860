"""The whole daemon: a real broker, a real port, a real database, a real receiver; faults are in `tests/faults`."""

import json
import os
import pty
import signal
import subprocess
import sys
import time
import tty
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from tests.servers.broker import Broker
from tests.servers.daemon import DaemonProcess, wait_until
from tests.servers.http_receiver import HttpReceiver
from ullage.daemon.store.alarm_tables import alarm_event
from ullage.daemon.store.store import Store

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
        [*command, "--config", str(daemon.config_path)], check=True, timeout=60, capture_output=True
    )
    wait_until(lambda: "valve shut" in daemon.log, "the journal entry")
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
