"""Several daemons on one PostgreSQL and one Mosquitto, none of which is treated kindly."""

import os
import re
import signal
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from tests.servers.broker import Broker
from tests.servers.daemon import DaemonProcess, wait_until
from tests.servers.fleet import Fleet, Sensors
from tests.servers.http_receiver import HttpReceiver
from tests.servers.postgres import PostgresServer
from tests.servers.tcp_proxy import TcpProxy
from ullage.daemon.store.leases import TERM_S

TAKEN_OVER_S = 30.0
"""What is promised."""


@pytest.fixture(name="broker")
def _broker(tmp_path: Path) -> Iterator[Broker]:
    broker = Broker.start(tmp_path / "broker")
    yield broker
    broker.stop()


@pytest.fixture(name="fleet")
def _fleet(tmp_path: Path, postgres: PostgresServer, broker: Broker) -> Iterator[Fleet]:
    with HttpReceiver() as receiver:
        fleet = Fleet(
            directory=tmp_path,
            broker_port=broker.port,
            url=postgres.new_database(),
            receiver=receiver,
            vessels=24,
        )
        yield fleet
        fleet.stop()


def _shared_out(fleet: Fleet, **shares: int) -> Callable[[], bool]:
    return lambda: fleet.shares() == shares


def _watching(daemon: DaemonProcess) -> int:
    """Return how many vessels the daemon says that it watches; it says so each second."""
    found = [int(n) for words in daemon.told() for n in re.findall(r"Watching (\d+) vessel", words)]
    return found[-1] if found else 0


def _connected(daemon: DaemonProcess) -> bool:
    """Tell whether it says that all its sessions are open; before they are once, the broker keeps nothing for them."""
    last = [words for words in daemon.told() if "Watching" in words][-1:]
    return bool(last) and "out of reach" not in last[0]


def _start(fleet: Fleet, *names: str) -> list[DaemonProcess]:
    daemons = [fleet.daemon(name) for name in names]
    for daemon in daemons:
        daemon.launch()
    for daemon in daemons:
        daemon.wait_ready()
    share = fleet.vessels // len(names)
    wait_until(_shared_out(fleet, **dict.fromkeys(names, share)), "a fair share for each", 60)
    wait_until(lambda: all(_watching(daemon) == share for daemon in daemons), "all watched", 30)
    wait_until(lambda: all(_connected(daemon) for daemon in daemons), "all sessions open", 30)
    return daemons


def _all_stored(fleet: Fleet, sensors: Sensors) -> None:
    """Every reading that the broker has taken is in the database, once."""
    for vessel, times_ms in sensors.confirmed.items():
        stored = fleet.stored(vessel)
        assert stored == sorted(set(times_ms)), f"{vessel}: {sorted(set(times_ms) ^ set(stored))}"


def _told_once(fleet: Fleet, *vessels: str) -> None:
    """Each of these alarms was raised once and told once, and there was no other."""
    assert Counter(fleet.events()) == Counter(vessels)
    assert Counter(fleet.told()) == Counter(vessels)


def test_a_daemon_that_is_killed_costs_nothing(fleet: Fleet, broker: Broker) -> None:
    """Killed under load: its vessels are taken over in time, no reading is lost, no alarm lost or told twice.

    It comes back and gets its share again; then it is stopped in order, and the other has everything within seconds.
    """
    a, b = _start(fleet, "a", "b")
    with Sensors(broker, fleet.names) as sensors:
        wait_until(lambda: sensors.sent() > 100, "readings under way")
        of_b = sorted(vessel for vessel, name in fleet.holders().items() if name == "b")
        over = of_b[:2]
        sensors.raise_pressure(over[0])
        # killed while a message is on its way it would rightly go out again
        wait_until(lambda: over[0] in fleet.told() and not fleet.unsent(), "an alarm by b")
        b.kill()
        killed_s = time.monotonic()
        sensors.raise_pressure(over[1])
        wait_until(_shared_out(fleet, a=24), "a to have all vessels", TAKEN_OVER_S)
        wait_until(lambda: over[1] in fleet.told(), "word of what rose meanwhile", TAKEN_OVER_S)
        assert time.monotonic() - killed_s < TAKEN_OVER_S
        assert fleet.events("daemon-lost") == ["b"]

        b = fleet.daemon("b")
        b.start()
        wait_until(_shared_out(fleet, a=12, b=12), "a fair share again", 60)
        wait_until(lambda: fleet.events("daemon-lost", "cleared") == ["b"], "the end of that alarm")
        of_b = sorted(vessel for vessel, name in fleet.holders().items() if name == "b")
        quiet = next(vessel for vessel in of_b if vessel not in over)
        sensors.raise_pressure(quiet)
        assert b.stop() == 0
        wait_until(_shared_out(fleet, a=24), "a to have all vessels again", TERM_S)
        wait_until(lambda: quiet in fleet.told(), "word of the third")
    assert a.stop() == 0
    _all_stored(fleet, sensors)
    _told_once(fleet, *over, quiet)
    assert fleet.unsent() == 0
    assert fleet.events("daemon-lost") == ["b"]  # by the kill: what was stopped in order let its vessels go
    assert not any("Traceback" in daemon.log for daemon in fleet.daemons)


def test_a_daemon_that_was_frozen_says_and_writes_nothing_when_it_wakes(fleet: Fleet, broker: Broker) -> None:
    """Stopped by a signal with readings in its hands, and woken when others have its vessels: it ends, and keeps quiet."""
    a, b = _start(fleet, "a", "b")
    with Sensors(broker, fleet.names, every_s=0.5) as sensors:
        wait_until(lambda: sensors.sent() > 200, "readings under way")
        of_b = sorted(vessel for vessel, name in fleet.holders().items() if name == "b")
        b.signal(signal.SIGSTOP)
        sensors.raise_pressure(*of_b[:4])  # what lies in its socket will be over-pressure, too
        wait_until(_shared_out(fleet, a=24), "a to have all vessels", TAKEN_OVER_S)
        wait_until(lambda: set(of_b[:4]) <= set(fleet.told()), "word of all four")
        wait_until(lambda: _watching(a) == 24, "all watched")
        b.signal(signal.SIGCONT)
        assert b.process is not None
        assert b.process.wait(60) == 1
        wait_until(lambda: sensors.sent() > 600, "more readings")
        assert fleet.shares() == {"a": 24}
    assert "another daemon has taken over" in b.log
    assert a.stop() == 0
    _all_stored(fleet, sensors)
    _told_once(fleet, *of_b[:4])
    assert fleet.unsent() == 0
    assert fleet.events("daemon-lost") == ["b"]


def test_a_daemon_that_was_frozen_acknowledges_nothing_that_it_can_write_no_more(
    fleet: Fleet, broker: Broker
) -> None:
    """Woken when its vessels are another's but its sessions not yet: the broker still has for that one what it had read."""
    fleet.vessels = 4
    (b,) = _start(fleet, "b")
    with Sensors(broker, fleet.names, every_s=0.1) as sensors:
        wait_until(lambda: sensors.sent() > 100, "readings under way")
        b.signal(signal.SIGSTOP)
        # by then more lies in its socket than it holds back while a database refuses
        wait_until(lambda: fleet.bury() == ["b"], "the end of its term", TAKEN_OVER_S)
        b.signal(signal.SIGCONT)
        assert b.process is not None
        assert b.process.wait(60) == 1
        a = fleet.daemon("a")
        a.start()
        wait_until(_shared_out(fleet, a=4), "a to have all vessels", 60)
        at = sensors.sent()
        wait_until(lambda: sensors.sent() > at + 40, "more readings")
    assert a.stop() == 0
    _all_stored(fleet, sensors)


def test_a_database_that_is_away_makes_nobody_take_anything(fleet: Fleet, broker: Broker) -> None:
    """Cut off for longer than a term, both daemons go on watching and telling; when it is back all is as it was."""
    with TcpProxy(sa.make_url(fleet.url).port or 5432) as proxy:
        way = sa.make_url(fleet.url).set(port=proxy.port).render_as_string(hide_password=False)
        daemons = [fleet.daemon(name, url=way) for name in ("a", "b")]
        for daemon in daemons:
            daemon.start()
        wait_until(_shared_out(fleet, a=12, b=12), "a fair share for each", 60)
        before = fleet.holders()
        wait_until(lambda: all(_watching(daemon) == 12 for daemon in daemons), "all watched", 30)
        wait_until(lambda: all(_connected(daemon) for daemon in daemons), "all sessions open", 30)
        with Sensors(broker, fleet.names) as sensors:
            wait_until(lambda: sensors.sent() > 100, "readings under way")
            proxy.shut = True
            proxy.cut()
            cut_s = time.monotonic()
            over = [next(vessel for vessel, name in before.items() if name == who) for who in ("a", "b")]
            sensors.raise_pressure(*over)
            wait_until(lambda: len(fleet.told()) == 2, "word though nothing can be written", TAKEN_OVER_S)
            wait_until(lambda: time.monotonic() - cut_s > TERM_S + 3, "more than a term", 30)
            proxy.shut = False
            wait_until(lambda: set(over) <= set(fleet.events()), "the alarms written down", 60)
            at = sensors.sent()
            wait_until(lambda: sensors.sent() > at + 100, "more readings")
            assert fleet.holders() == before
        assert [daemon.stop() for daemon in daemons] == [0, 0]
    _all_stored(fleet, sensors)
    _told_once(fleet, *over)
    assert fleet.events("daemon-lost") == []


def test_a_second_daemon_that_would_not_share_is_refused(fleet: Fleet, broker: Broker) -> None:
    """On a server as on a file: one sentence that says what to do, exit code 1, and the first goes on undisturbed."""
    fleet.vessels = 2
    first = fleet.daemon("first", share={"name": "first"})
    first.start()
    for url, said in (
        (fleet.url, "is used by the daemon first on"),
        (f"sqlite:///{fleet.directory / 'ullage.db'}", "another `ullage run` uses this database"),
    ):
        alone = [fleet.daemon(f"alone-{number}", url=url) for number in range(2)]
        for daemon in alone:
            daemon.config = {key: value for key, value in daemon.config.items() if key != "share"}
        if url.startswith("sqlite"):
            alone[0].start()
        alone[1].launch()
        assert alone[1].process is not None
        assert alone[1].process.wait(60) == 1
        last = alone[1].log.splitlines()[-1]
        assert said in last
        assert "stop that one" in last
        if url.startswith("sqlite"):
            os.kill(alone[0].pid, signal.SIGKILL)
            alone[0].process and alone[0].process.wait(10)
            alone[1].start()
            assert alone[1].stop() == 0
    assert first.stop() == 0


def test_a_daemon_alone_on_a_server_goes_on_after_a_kill(fleet: Fleet, broker: Broker) -> None:
    """It has all vessels without any share, waits for its own lease to end, and neither loses nor repeats anything."""
    fleet.vessels = 2
    daemon = fleet.daemon("alone")
    daemon.config = {key: value for key, value in daemon.config.items() if key != "share"}
    daemon.start()
    wait_until(lambda: "source connected" in daemon.log, "a connection")
    with Sensors(broker, fleet.names, every_s=0.5) as sensors:
        sensors.raise_pressure("v0000")
        wait_until(lambda: fleet.told() == ["v0000"] and not fleet.unsent(), "the first alarm")
        daemon.kill()
        sensors.raise_pressure("v0001")
        daemon.start(TERM_S + 20)
        wait_until(lambda: sorted(fleet.told()) == ["v0000", "v0001"], "the second alarm")
    assert daemon.stop() == 0
    _told_once(fleet, "v0000", "v0001")
    assert fleet.shares() == {}
    for vessel, times_ms in sensors.confirmed.items():
        missing = sorted(set(times_ms) - set(fleet.stored(vessel)))
        assert not missing or missing[-1] - missing[0] < 60_000  # at most the commit interval's
