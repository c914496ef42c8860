"""Many vessels over several daemons and one PostgreSQL, one of the daemons killed under load.

    python -m tests.benchmarks.fleet                      # 1,000 vessels at 1 Hz over two daemons, about eight minutes
    python -m tests.benchmarks.fleet --vessels 50 --minutes 0.5
    python -m tests.benchmarks.fleet --only storage       # what a year of readings takes on the server's disk

Broker, database (every commit synced) and receiver are real, and share the machine with the daemons and the sensors.
Each vessel sends two quantities in one message. Every few seconds a vessel goes above its rated limit and comes back:
each of these alarms must be told once. At the end every reading that the broker has acknowledged is looked for.
"""

import argparse
import os
import random
import signal
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import sqlalchemy as sa

from tests.benchmarks.live import Row, cpu_s, judged, rss_mb
from tests.daemon.store.folded import fold_now
from tests.servers.broker import Broker
from tests.servers.daemon import DaemonProcess, wait_until
from tests.servers.fleet import Fleet, Sensors
from tests.servers.http_receiver import HttpReceiver
from tests.servers.postgres import PostgresServer
from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.store.store import Store

OVER_S = 8.0
"""How long a vessel stays above its limit."""
PROMISED_S = 30.0


def say(words: str) -> None:
    """Tell how far it is."""
    print(f"  {words}", file=sys.stderr, flush=True)


@dataclass
class Alarms:
    """Raises alarms one after another, each in a vessel that had none yet, and knows when."""

    sensors: Sensors
    names: tuple[str, ...]
    every_s: float
    raised_s: dict[str, float] = field(default_factory=dict)
    """Vessel to when (`time.perf_counter`) it went above its limit."""
    _stopping: threading.Event = field(default_factory=threading.Event)
    _thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin."""
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End, with every vessel below its limit."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join()
        self._stopping.clear()
        time_up_s = time.perf_counter() + OVER_S
        wait_until(lambda: time.perf_counter() > time_up_s, "the last alarm's span", OVER_S + 5)
        self.sensors.lower_pressure(*self.names)

    def _run(self) -> None:
        order = random.Random(7).sample(self.names, len(self.names))
        for vessel in order:
            self.sensors.raise_pressure(vessel)
            self.raised_s[vessel] = time.perf_counter()
            if self._stopping.wait(self.every_s):
                return
            old = [v for v, at_s in self.raised_s.items() if time.perf_counter() - at_s > OVER_S]
            self.sensors.lower_pressure(*old)


@dataclass(frozen=True, slots=True)
class Use:
    """Processor seconds and bytes at one moment."""

    at_s: float
    daemons: tuple[float, ...]
    database: float
    broker: float


def _children(pid: int) -> list[int]:
    found = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return [int(child) for child in found]


def _cpu_of(pid: int) -> float:
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except FileNotFoundError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def use_of(daemons: list[DaemonProcess], server: PostgresServer, broker: Broker) -> Use:
    """Return what has been used so far."""
    assert server.process is not None
    assert broker.process is not None
    database = sum(_cpu_of(pid) for pid in [server.process.pid, *_children(server.process.pid)])
    return Use(time.perf_counter(), tuple(map(cpu_s, daemons)), database, _cpu_of(broker.process.pid))


@contextmanager
def place(vessels: int, *, durable: bool = True) -> Iterator[tuple[Fleet, Broker, PostgresServer]]:
    """Start broker, database and receiver."""
    with tempfile.TemporaryDirectory(prefix="ullage-fleet-") as folder, HttpReceiver() as receiver:
        server = PostgresServer.start(durable=durable)
        broker = Broker.start(Path(folder) / "broker")
        fleet = Fleet(
            directory=Path(folder),
            broker_port=broker.port,
            url=server.new_database(),
            receiver=receiver,
            vessels=vessels,
        )
        try:
            yield fleet, broker, server
        finally:
            fleet.stop()
            broker.stop()
            server.stop()


def takeover(vessels: int, daemons: int, minutes: float, after_s: float) -> list[Row]:
    """Run the fleet, kill one daemon, and account for everything."""
    with place(vessels) as (fleet, broker, server):
        names = [chr(ord("a") + number) for number in range(daemons)]
        running = [fleet.daemon(name) for name in names]
        start_s = time.perf_counter()
        for daemon in running:
            daemon.launch()
        for daemon in running:
            daemon.wait_ready(120)
        wait_until(lambda: _fair(fleet, names) and fleet.connected(), "a fair share for each", 300)
        shared_s = time.perf_counter() - start_s
        say(f"shared out after {shared_s:.1f} s: {fleet.shares()}")
        with Sensors(broker, fleet.names) as sensors:
            rows = _start_anew(fleet, running, names)
            alarms = Alarms(sensors, fleet.names, every_s=max(0.7, minutes * 60 / vessels * 2))
            alarms.start()
            rows += _steady(fleet, broker, server, running, sensors, minutes)
            rows += _kill_last(fleet, running, sensors, alarms, after_s)
            alarms.stop()
            wait_until(lambda: len(fleet.events()) >= len(alarms.raised_s), "every alarm", 60)
        say("looking for every reading")
        wait_until(lambda: fleet.unsent() == 0, "every message told", 120)
        for daemon in running[:-1]:
            daemon.stop(60)
        rows = [Row(f"vessels shared out over {daemons} daemons after", f"{shared_s:.1f} s"), *rows]
        return [*rows, *_account(fleet, sensors, alarms)]


def _start_anew(fleet: Fleet, running: list[DaemonProcess], names: list[str]) -> list[Row]:
    """Stop and start all daemons in order, so that each vessel's state is stored, as it is after ten minutes."""
    _run_for(20)
    start_s = time.perf_counter()
    for daemon in running:
        daemon.signal(signal.SIGTERM)
    for daemon in running:
        daemon.stop(120)
    stopped_s = time.perf_counter()
    for daemon in running:
        daemon.launch()
    for daemon in running:
        daemon.wait_ready(120)
    wait_until(lambda: _fair(fleet, names), "a fair share for each", 300)
    shared_s = time.perf_counter() - stopped_s
    say(f"stopped in {stopped_s - start_s:.1f} s, shared out again after {shared_s:.1f} s")
    return [
        Row("all daemons stopped in order, under load, in", f"{stopped_s - start_s:.1f} s"),
        Row("and all vessels watched again after", f"{shared_s:.1f} s"),
    ]


def _fair(fleet: Fleet, names: list[str]) -> bool:
    shares = fleet.shares()
    return set(shares) == set(names) and sum(shares.values()) == fleet.vessels


def _steady(
    fleet: Fleet,
    broker: Broker,
    server: PostgresServer,
    running: list[DaemonProcess],
    sensors: Sensors,
    minutes: float,
) -> list[Row]:
    """Let it run, and measure the second half of it."""
    _run_for(minutes * 30)
    already = _judged_now(running)
    first, sent = use_of(running, server, broker), sensors.sent()
    _run_for(minutes * 30)
    last, sent_then = use_of(running, server, broker), sensors.sent()
    done = _judged_now(running)
    span_s = last.at_s - first.at_s  # judged is read three seconds later, both times
    share = [(b - a) / span_s for a, b in zip(first.daemons, last.daemons, strict=True)]
    say(f"{(sent_then - sent) / span_s:,.0f} messages a second")
    return [
        Row("messages published a second", f"{(sent_then - sent) / span_s:,.0f}", f"{fleet.vessels}"),
        Row("readings judged a second", f"{(done - already) / span_s:,.0f}", f"{2 * fleet.vessels}"),
        Row("the sensors fell behind their plan by at most", f"{sensors.late_s:.2f} s"),
        Row("processor of each daemon, cores", ", ".join(f"{cores:.2f}" for cores in share)),
        Row("of the database", f"{(last.database - first.database) / span_s:.2f}"),
        Row("of the broker", f"{(last.broker - first.broker) / span_s:.2f}"),
        Row("resident memory of each daemon", ", ".join(f"{rss_mb(daemon):.0f} MB" for daemon in running)),
    ]


def _judged_now(running: list[DaemonProcess]) -> int:
    """Return how many readings have been judged: what daemons said long ago is read first and passed over."""
    for daemon in running:
        daemon.told()
    _run_for(3)  # they say it each second
    return sum(map(judged, running))


def _run_for(seconds: float) -> None:
    end_s = time.monotonic() + seconds
    wait_until(lambda: time.monotonic() > end_s, "the time to pass", seconds + 5)


def _kill_last(
    fleet: Fleet, running: list[DaemonProcess], sensors: Sensors, alarms: Alarms, after_s: float
) -> list[Row]:
    names = [chr(ord("a") + number) for number in range(len(running) - 1)]
    orphans = [vessel for vessel, name in fleet.holders().items() if name not in names]
    say(f"killing the last daemon, which holds {len(orphans)} vessels")
    running[-1].kill()
    fleet.killed_s = time.time()
    killed_s = time.perf_counter()
    before = len(alarms.raised_s)
    wait_until(lambda: _fair(fleet, names), "all vessels held again", 120)
    held_s = time.perf_counter() - killed_s
    last_log = "\n".join(daemon.log for daemon in running[:-1])
    wait_until(lambda: _caught_up(fleet, sensors), "the backlog judged and stored", 180)
    caught_s = time.perf_counter() - killed_s
    say(f"taken over after {held_s:.1f} s, backlog done after {caught_s:.1f} s")
    _run_for(after_s)
    rebuilt = last_log.count("detectors rebuilt")
    return [
        Row(
            f"killed daemon's {len(orphans)} vessels all held again after",
            f"{held_s:.1f} s",
            f"{PROMISED_S:g} s",
        ),
        Row("what had come meanwhile judged and stored after", f"{caught_s:.1f} s"),
        Row("vessels whose detectors were rebuilt from the store, in all", f"{rebuilt:,}"),
        Row(
            "alarms that came up while nobody held the vessel, or soon after",
            f"{_near(alarms, before, killed_s, held_s)}",
        ),
    ]


def _near(alarms: Alarms, before: int, killed_s: float, held_s: float) -> int:
    return sum(
        killed_s - 2 <= at_s <= killed_s + held_s
        for at_s in list(alarms.raised_s.values())[max(0, before - 10) :]
    )


def _caught_up(fleet: Fleet, sensors: Sensors) -> bool:
    """Tell whether what is stored of some vessels is no older than a few seconds."""
    now_ms = time.time() * 1000
    probe = fleet.names[:: max(1, len(fleet.names) // 20)]
    with fleet.looking() as store:
        newest = [store.latest(vessel).get(Quantity.PRESSURE) for vessel in probe]
    return all(reading is not None and now_ms - reading.time_s * 1000 < 5_000 for reading in newest)


def _account(fleet: Fleet, sensors: Sensors, alarms: Alarms) -> list[Row]:
    missing = extra = total = 0
    for vessel, times_ms in sensors.confirmed.items():
        sent, stored = Counter(times_ms), Counter(fleet.stored(vessel))
        missing += len(set(sent) - set(stored))
        for time_ms in sorted(set(sent) - set(stored)):
            say(f"lost: {vessel} at {time_ms / 1000 - fleet.killed_s:+.2f} s from the kill")
        extra += sum((stored - Counter(set(sent))).values())
        total += len(set(sent))
    raised, told = Counter(fleet.events()), Counter(fleet.told())
    wanted = set(alarms.raised_s)
    return [
        Row("messages lost, of those that the broker had taken", f"{missing:,} of {total:,}", "0"),
        Row("readings stored twice", f"{extra:,}", "0"),
        Row("alarms lost", f"{len(wanted - set(raised))} of {len(wanted)} raised, {len(wanted - set(told))} untold", "0"),
        Row("alarms repeated", f"{sum((raised - Counter(wanted)).values())} raised, {sum((told - Counter(wanted)).values())} told", "0"),
        Row("from above the limit to the receiver, longest", f"{_longest_s(fleet, alarms):.1f} s", f"{PROMISED_S:g} s"),
    ]  # fmt: skip


def _longest_s(fleet: Fleet, alarms: Alarms) -> float:
    """Return the longest time from a vessel's rise to the first message that names it."""
    delays = []
    for vessel, at_s in alarms.raised_s.items():
        heard = [r.at_s for r in fleet.receiver.accepted if vessel in r.title + r.message and r.at_s >= at_s]
        delays.append(min(heard, default=float("inf")) - at_s)
    return max(delays, default=0.0)


def storage(vessels: int, days: int) -> list[Row]:
    """Write readings as sensors give them and see what they take once they are folded."""
    with place(1, durable=False) as (fleet, _, _server):
        rng, start_s = random.Random(3), 1_760_000_400.0
        with Store.open(fleet.url, max_pending=10_000_000) as store:
            empty = _bytes(store)
            for day in range(days):
                for number in range(vessels):
                    store.append(list(_day(f"v{number}", start_s + day * 86_400, rng)))
                    store.flush()
                say(f"day {day + 1}")
            fold_now(store)
            store.retain(now_s=start_s + days * 86_400, keep_days=1000)
            with store.transaction() as connection:
                connection.exec_driver_sql("ANALYZE")
            taken, readings = _bytes(store) - empty, vessels * days * 86_400 * 2
        each = taken / readings
        return [
            Row("bytes on disk per reading, index and all", f"{each:.2f}"),
            Row("a vessel's year at 1 Hz, two quantities", f"{each * 2 * 86_400 * 365 / 1e6:,.0f} MB"),
            Row("write-ahead log per reading, committed each 5 s and folded", f"{_log_bytes(fleet.url):.0f}"),
        ]


def _log_bytes(url: str, vessels: int = 20, hours: float = 2.0) -> float:
    """Return what the server's log takes per reading while a fleet commits as it does when it runs."""
    rng, start_s, commits = random.Random(5), 1_770_000_000.0, round(hours * 720)
    days = [list(_day(f"w{number}", start_s, rng)) for number in range(vessels)]
    query = sa.text("SELECT pg_current_wal_lsn() - '0/0'")
    with Store.open(url) as store:
        with store.reading() as connection:
            before = int(connection.scalar(query) or 0)
        for commit in range(commits):
            for day in days:
                store.append(day[commit * 10 : commit * 10 + 10])
            store.flush()
        with store.reading() as connection:
            after = int(connection.scalar(query) or 0)
    return (after - before) / (commits * 10 * vessels)


def _day(vessel: str, start_s: float, rng: random.Random) -> Iterator[Reading]:
    """Yield a day at 1 Hz: a slow swing, noise of the last digits, clocks that jitter by a few milliseconds."""
    top, beer = 1.2 + rng.random() / 5, 18.0 + rng.random()
    for second in range(86_400):
        time_s = start_s + second + rng.randrange(20) / 1000
        top += rng.gauss(0, 0.0002)
        beer += rng.gauss(0, 0.0005)
        yield Reading(vessel, Quantity.PRESSURE, time_s, round(top + rng.gauss(0, 0.001), 3))
        yield Reading(vessel, Quantity.TEMPERATURE, time_s, round(beer + rng.gauss(0, 0.02), 2))


def _bytes(store: Store) -> int:
    query = sa.text(
        "SELECT sum(pg_total_relation_size(oid)) FROM pg_class WHERE relname LIKE 'reading_block%' AND relkind = 'r'"
    )
    with store.reading() as connection:
        return int(connection.scalar(query) or 0)


def main() -> None:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description="Measure several daemons on one database.")
    parser.add_argument("--vessels", type=int, default=1000)
    parser.add_argument("--daemons", type=int, default=2)
    parser.add_argument("--minutes", type=float, default=4.0, help="load before one is killed")
    parser.add_argument("--after", type=float, default=40.0, metavar="S", help="seconds of load after it")
    parser.add_argument("--only", choices=["takeover", "storage"])
    options = parser.parse_args()
    rows: list[Row] = []
    if options.only in (None, "takeover"):
        rows += takeover(options.vessels, options.daemons, options.minutes, options.after)
    if options.only in (None, "storage"):
        rows += storage(4, 2)
    load = ", ".join(f"{value:.1f}" for value in os.getloadavg())
    rows.append(Row("load of the machine (1, 5, 15 min)", f"{load} on {os.cpu_count()} cores"))
    width = max(len(row.what) for row in rows)
    for row in rows:
        print(f"{row.what:<{width}}  {row.measured:<28}  {f'aim {row.aim}' if row.aim else ''}".rstrip())


if __name__ == "__main__":
    main()
