"""The running daemon measured from outside: latency, throughput, memory, start.

    python -m tests.benchmarks.live [--vessels 100] [--rounds 3] [--messages 60000]

A real Mosquitto and a real daemon process with an SQLite file; messages go to a loopback HTTP receiver. Publisher and
receiver share this process, whose own delays are part of what is measured. The daemon is held to one core. Figures
depend on the machine and on what else runs on it; the machine's load is printed with them.
"""

import argparse
import json
import os
import re
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho

from tests.servers.broker import Broker
from tests.servers.daemon import DaemonProcess, wait_until
from tests.servers.http_receiver import HttpReceiver
from ullage.daemon.store.store import Store

LIMIT_BAR = 2.5
PER_VESSEL_HZ = 2.0


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table."""

    what: str
    measured: str
    aim: str = ""


def vessel(number: int) -> dict[str, object]:
    """Return a vessel with two channels on topics of its own."""
    name = f"v{number:03d}"

    def channel(quantity: str, unit: str) -> dict[str, str]:
        return {
            "source": "cellar",
            "topic": f"cellar/{name}",
            "pointer": f"/{quantity}",
            "time_pointer": "/t",
            "unit": unit,
        }

    return {
        "name": name,
        "total_volume_l": 23,
        "beer_volume_l": 19,
        "rated_pressure_bar": LIMIT_BAR,
        "temperature": channel("beer", "Cel"),
        "pressure": channel("top", "bar"),
    }


@contextmanager
def running(directory: Path, broker: Broker, receiver: HttpReceiver, vessels: int) -> Iterator[DaemonProcess]:
    """Start a daemon that watches so many vessels, and leave none behind whatever happens."""
    daemon = daemon_of(directory, broker, receiver, vessels)
    try:
        daemon.start()
        connected(daemon)
        yield daemon
        assert daemon.stop(60) == 0, daemon.log[-2000:]
    finally:
        daemon.kill()


def daemon_of(directory: Path, broker: Broker, receiver: HttpReceiver, vessels: int) -> DaemonProcess:
    """Return a daemon that watches so many vessels."""
    directory.mkdir(parents=True)
    address = directory / "push-url"
    address.write_text(receiver.notify_url)
    address.chmod(0o600)
    config: dict[str, Any] = {
        "store": {"url": f"sqlite:///{directory / 'ullage.db'}"},
        "vessels": [vessel(number) for number in range(vessels)],
        "sources": {"cellar": {"kind": "mqtt", "host": "127.0.0.1", "port": broker.port}},
        "notify": {"targets": [{"name": "phone", "url_file": str(address)}]},
        "schedule": {"daily_digest": ""},
    }
    return DaemonProcess(directory=directory, config=config, environ={"WATCHDOG_USEC": "1000000"})


def hold_to_one_core(daemon: DaemonProcess) -> None:
    """Pin every thread of the daemon to the last core, whatever else this machine does on the others."""
    core = max(os.sched_getaffinity(0))
    for task in Path(f"/proc/{daemon.pid}/task").iterdir():
        os.sched_setaffinity(int(task.name), {core})


def judged(daemon: DaemonProcess) -> int:
    """Return how many readings the daemon says that it has judged; it says so every half second."""
    counts = [int(n) for words in daemon.told() for n in re.findall(r"(\d+) readings judged", words)]
    return counts[-1] if counts else 0


def rss_mb(daemon: DaemonProcess) -> float:
    """Return the resident memory of the daemon."""
    status = Path(f"/proc/{daemon.pid}/status").read_text()
    found = re.search(r"VmRSS:\s+(\d+) kB", status)
    assert found is not None
    return int(found[1]) / 1024


def cpu_s(daemon: DaemonProcess) -> float:
    """Return the processor time that the daemon has used."""
    fields = Path(f"/proc/{daemon.pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def payload(top_bar: float, time_s: float, beer_c: float = 18.0) -> str:
    """Return what a vessel publishes."""
    return json.dumps({"top": round(top_bar, 4), "beer": round(beer_c, 3), "t": time_s})


def connected(daemon: DaemonProcess) -> None:
    """Wait until the daemon reads from the broker."""
    wait_until(lambda: "source connected" in daemon.log, "a connection to the broker")


def imports_alone_s() -> float:
    """Return the median time of a process that only imports what the daemon runs."""
    modules = "ullage.daemon.cli, ullage.daemon.building, ullage.daemon.commands.run, ullage.adapters.mqtt"
    return statistics.median(_timed([sys.executable, "-c", f"import {modules}"]) for _ in range(5))


def _timed(command: list[str]) -> float:
    start_s = time.perf_counter()
    subprocess.run(command, check=True, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"})
    return time.perf_counter() - start_s


def start_to_judged_s(directory: Path, broker: Broker, receiver: HttpReceiver) -> list[float]:
    """Return how long each start takes until a reading that waited in the broker has been judged.

    The session is there from an earlier start, so the broker hands the reading over at once.
    """
    daemon = daemon_of(directory, broker, receiver, 2)
    daemon.start()
    connected(daemon)
    daemon.stop()
    taken: list[float] = []
    for _ in range(5):
        broker.publish("cellar/v000", payload(1.0, time.time()))
        before = daemon.log.count("first reading judged")
        start_s = time.perf_counter()
        daemon.launch()
        while daemon.log.count("first reading judged") == before:
            if time.perf_counter() - start_s > 60:
                raise AssertionError(f"no reading was judged: {daemon.log[-2000:]}")
            time.sleep(0.002)
        taken.append(time.perf_counter() - start_s)
        daemon.wait_ready()
        daemon.stop()
    return taken


class Publisher:
    """Publishes at a steady rate from this thread."""

    def __init__(self, broker: Broker) -> None:
        self.client: paho.Client = broker.client("bench")

    def paced(self, rate_hz: float, messages: Iterator[tuple[str, str]], each: Callable[[], None]) -> None:
        """Publish one message after another, `rate_hz` a second; `each` runs before every one."""
        start_s = time.perf_counter()
        for number, (topic, text) in enumerate(messages):
            wait_s = start_s + number / rate_hz - time.perf_counter()
            if wait_s > 0:
                time.sleep(wait_s)
            each()
            self.client.publish(topic, text, qos=1)

    def drain(self, last_topic: str, text: str) -> None:
        """Publish one more and wait until the broker has taken it."""
        self.client.publish(last_topic, text, qos=1).wait_for_publish(60)

    def close(self) -> None:
        """Disconnect."""
        self.client.disconnect()
        self.client.loop_stop()


def latencies_s(
    directory: Path, broker: Broker, receiver: HttpReceiver, vessels: int, rounds: int
) -> list[float]:
    """Return, for each alarm, the time from its second reading's publishing to the receiver having the message."""
    taken: list[float] = []
    with running(directory, broker, receiver, vessels) as daemon:
        hold_to_one_core(daemon)
        publisher = Publisher(broker)
        for _ in range(rounds):
            already = len(receiver.requests)
            published_s: dict[str, float] = {}
            publisher.paced(vessels * PER_VESSEL_HZ, _one_round(vessels, published_s), lambda: None)
            receiver.wait_until(lambda requests, n=already + 2 * vessels: len(requests) >= n, 20)  # type: ignore[misc]
            taken += _taken_s(receiver, already, published_s)
        publisher.close()
    return taken


def _one_round(vessels: int, published_s: dict[str, float]) -> Iterator[tuple[str, str]]:
    """Yield 42 turns of all vessels; each is above the limit for two of them, about one vessel after another."""
    for turn in range(42):
        for number in range(vessels):
            name = f"v{number:03d}"
            # 37 has no divisor in common with the usual numbers: vessels whose turn it is don't stand side by side
            phase = turn - (number * 37 % vessels) * 30 // vessels
            if phase == 2:  # the second reading above the limit
                published_s[name] = time.perf_counter()
            yield f"cellar/{name}", payload(2.7 if phase in (1, 2) else 1.0, time.time())


def _taken_s(receiver: HttpReceiver, already: int, published_s: dict[str, float]) -> Iterator[float]:
    requests = receiver.requests[already:]
    for name, at_s in published_s.items():
        heard = [r.at_s for r in requests if name in r.title + r.message and r.at_s >= at_s]
        if not heard:
            raise AssertionError(f"no message about {name} in {len(requests)} requests")
        yield heard[0] - at_s


def throughput(
    directory: Path, broker: Broker, receiver: HttpReceiver, vessels: int, messages: int
) -> list[Row]:
    """Publish as fast as the broker takes it, with the daemon on one core, and count what is stored."""
    with running(directory, broker, receiver, vessels) as daemon:
        hold_to_one_core(daemon)
        publisher = Publisher(broker)
        cpu_before_s, start_s = cpu_s(daemon), time.perf_counter()
        publisher.paced(1e9, _flood(vessels, messages), lambda: None)
        wait_until(lambda: judged(daemon) >= 2 * messages, "all readings judged", 120)
        took_s = time.perf_counter() - start_s
        used_s = cpu_s(daemon) - cpu_before_s
        publisher.close()
        memory_mb = rss_mb(daemon)
    kept = stored(directory, vessels)
    return [
        Row("messages a second, daemon on one core", f"{messages / took_s:,.0f}", "5,000"),
        Row("the same by processor time of the daemon", f"{messages / used_s:,.0f}", "5,000"),
        Row("readings lost", f"{2 * messages - kept:,} of {2 * messages:,}", "0"),
        Row(f"resident memory after it, {vessels} vessels", f"{memory_mb:.0f} MB"),
    ]


def _flood(vessels: int, messages: int) -> Iterator[tuple[str, str]]:
    base_s = time.time() - messages / vessels
    for number in range(messages):
        top_bar = 1.0 + (number % 97) / 1000
        yield f"cellar/v{number % vessels:03d}", payload(top_bar, base_s + number // vessels)


def stored(directory: Path, vessels: int) -> int:
    """Return how many readings the database holds."""
    with Store.open(f"sqlite:///{directory / 'ullage.db'}", read_only=True) as store:
        return sum(len(store.samples(f"v{number:03d}")) for number in range(vessels))


def memory(directory: Path, broker: Broker, receiver: HttpReceiver) -> float:
    """Return the resident memory with two vessels after a day's readings; a month of them is in `month`."""
    sent = 0
    with running(directory, broker, receiver, 2) as daemon:
        publisher = Publisher(broker)

        def hold_back() -> None:
            # the broker drops what it can't queue; this is about memory, not about speed
            nonlocal sent
            sent += 2
            if sent % 2000 == 0:
                wait_until(lambda: sent - judged(daemon) < 2_000, "the daemon to catch up", 120)

        publisher.paced(1e9, _day(time.time() - 86_400), hold_back)
        wait_until(lambda: judged(daemon) >= sent, "a day's readings judged", 120)
        after_mb = rss_mb(daemon)
        publisher.close()
    return after_mb


def _day(start_s: float) -> Iterator[tuple[str, str]]:
    """Yield a day of two vessels, noisy as sensors are."""
    for second in range(86_400):
        for number in range(2):
            noise = ((second * 7919 + number) % 13 - 6) / 2000
            yield f"cellar/v{number:03d}", payload(1.2 + noise, start_s + second, 18.0 + noise * 10)


def main() -> None:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description="Measure the running daemon.")
    parser.add_argument("--vessels", type=int, default=100)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--messages", type=int, default=60_000)
    parser.add_argument("--only", choices=["start", "latency", "throughput", "memory"])
    options = parser.parse_args()
    rows: list[Row] = []
    with tempfile.TemporaryDirectory(prefix="ullage-live-") as folder, HttpReceiver() as receiver:
        for name in ("start", "latency", "throughput", "memory"):
            if options.only in (None, name):
                place = Path(folder) / name
                broker = Broker.start(place / "broker")
                try:
                    rows += _measure(name, place / "daemon", broker, receiver, options)
                finally:
                    broker.stop()
    load = ", ".join(f"{value:.1f}" for value in os.getloadavg())
    rows.append(Row("load of the machine (1, 5, 15 min)", f"{load} on {os.cpu_count()} cores"))
    width = max(len(row.what) for row in rows)
    for row in rows:
        print(f"{row.what:<{width}}  {row.measured:<28}  {f'aim {row.aim}' if row.aim else ''}".rstrip())


def _measure(
    name: str, directory: Path, broker: Broker, receiver: HttpReceiver, options: argparse.Namespace
) -> list[Row]:
    if name == "start":
        alone_s = imports_alone_s()
        taken = statistics.median(start_to_judged_s(directory, broker, receiver))
        return [
            Row("imports alone", f"{alone_s:.2f} s"),
            Row("start to first reading judged", f"{taken:.2f} s = {taken / alone_s:.2f} x", "2 x at most"),
        ]
    if name == "latency":
        taken_s = sorted(latencies_s(directory, broker, receiver, options.vessels, options.rounds))
        p50, p99 = (taken_s[round(share * (len(taken_s) - 1))] * 1000 for share in (0.5, 0.99))
        what = f"reading to message, {options.vessels} vessels x {PER_VESSEL_HZ:g} Hz, {len(taken_s)} alarms"
        return [Row(what, f"p50 {p50:.1f} ms, p99 {p99:.1f} ms", "p99 25 ms")]
    if name == "throughput":
        return throughput(directory, broker, receiver, options.vessels, options.messages)
    after_mb = memory(directory, broker, receiver)
    return [Row("resident memory after a day at 1 Hz, 2 vessels", f"{after_mb:.0f} MB", "100 MB")]


if __name__ == "__main__":
    main()
