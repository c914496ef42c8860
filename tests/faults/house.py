"""An installation to be mistreated: a broker, a phone, the daemon, and what they have to say afterwards."""

import json
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

import sqlalchemy as sa

from tests.faults.fault import Bench
from tests.servers.broker import Broker
from tests.servers.daemon import DaemonProcess, wait_until
from tests.servers.http_receiver import HttpReceiver
from ullage.daemon.alarm_states import Alarm, AlarmKey
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.clock import SystemClock
from ullage.daemon.routes import Nobody
from ullage.daemon.store.alarm_tables import alarm_event
from ullage.daemon.store.store import Store
from ullage.detectors.samples import Kind

LIMIT_BAR = 2.5
COMMIT_S = 1.0


def vessel(name: str, *, source: str = "cellar", **keys: object) -> dict[str, Any]:
    """Return a vessel whose pressure comes with the sender's own time."""
    channel = {"source": source, "unit": "bar", "pointer": "/top", "time_pointer": "/t"}
    own = {"name": name, "total_volume_l": 23, "beer_volume_l": 19, "rated_pressure_bar": LIMIT_BAR}
    return {**own, "pressure": {**channel, "topic": f"cellar/{name}"}, **keys}


def payload(pressure_bar: float, time_s: float | None = None) -> str:
    """Return a message of the sensor."""
    return json.dumps({"top": pressure_bar, "t": time.time() if time_s is None else time_s})


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """An event as the database has it."""

    token: str
    condition: str
    kind: str
    time_s: float


@dataclass(kw_only=True)
class House:
    """One installation; everything in it is real. Made by `House.build`."""

    bench: Bench
    broker: Broker
    phone: HttpReceiver
    daemon: DaemonProcess
    database: Path
    promised: list[tuple[AlarmKey, float]] = field(default_factory=list)
    """Alarms that the brewer has acknowledged, and when."""
    _newest_s: dict[str, float] = field(default_factory=dict)

    @classmethod
    def build(
        cls,
        bench: Bench,
        *,
        database: Path | None = None,
        broker: Broker | None = None,
        source: Mapping[str, object] | None = None,
        floor_mb: float = 0.0,
        **parts: object,
    ) -> Self:
        """Make it; nothing but the broker and the phone runs yet.

        Parameters
        ----------
        database
            Where the daemon keeps its file.
        source
            Keys of the source `cellar` that differ.
        floor_mb
            What is to stay free on the disk; usually it may be used to its last byte.
        parts
            Top-level keys of the configuration that differ.
        """
        broker = bench.use(broker if broker is not None else Broker.start(bench.folder / "broker"))
        phone = bench.use(HttpReceiver())
        database = bench.folder / "ullage.db" if database is None else database
        address = bench.folder / "push-url"
        address.write_text(phone.notify_url)
        address.chmod(0o600)
        cellar = {"kind": "mqtt", "host": "127.0.0.1", "port": broker.port, "first_pause_s": 0.1}
        store = {"url": f"sqlite:///{database}", "commit_interval_s": COMMIT_S, "busy_timeout_s": 1}
        config = {
            "store": {**store, "free_space_floor_mb": floor_mb},
            "vessels": [vessel("north")],
            "sources": {"cellar": {**cellar, "longest_pause_s": 1.0, **(source or {})}},
            "notify": {"targets": [{"name": "phone", "url_file": str(address)}]},
            "schedule": {"daily_digest": ""},
        }
        daemon = DaemonProcess(directory=bench.folder / "daemon", config={**config, **parts})
        bench.at_end(daemon.close)
        return cls(bench=bench, broker=broker, phone=phone, daemon=daemon, database=database)

    def start(self) -> None:
        """Start the daemon and wait until its session at the broker stands."""
        before = self.daemon.log.count("source connected")
        self.daemon.start()
        wait_until(lambda: self.daemon.log.count("source connected") > before, "a connection to the broker")

    def start_apart(self, words: str) -> None:
        """Start the daemon and wait for words in its log, where no broker is read."""
        self.daemon.start()
        wait_until(lambda: words in self.daemon.log, words)

    def url(self) -> str:
        """Return the database's address."""
        return f"sqlite:///{self.database}"

    @contextmanager
    def store(self) -> Iterator[Store]:
        """Open the database for a look."""
        with Store.open(self.url(), read_only=True) as store:
            yield store

    def stored(self, name: str = "north") -> dict[int, float]:
        """Return pressures by time in milliseconds."""
        with self.store() as store:
            samples = store.samples(name)
        pressure = samples.kind == Kind.PRESSURE
        time_ms = (samples.time_s[pressure] * 1000).round().astype(int).tolist()
        return dict(zip(time_ms, samples.value[pressure].tolist(), strict=True))

    def told(self, condition: str = "") -> list[Told]:
        """Return what was written to be told, in order of time."""
        event = alarm_event.c
        query = sa.select(event.token, event.condition, event.kind, event.time_ms).order_by(
            event.time_ms, event.id
        )
        query = query.where(event.condition == condition) if condition else query.where(event.vessel != "")
        with self.store() as store, store.reading() as connection:
            return [
                Told(token=row.token, condition=row.condition, kind=row.kind, time_s=row.time_ms / 1000)
                for row in connection.execute(query)
            ]

    def raised(self) -> list[Told]:
        """Return every over-pressure alarm that was ever raised."""
        return [told for told in self.told("over-pressure") if told.kind == "raised"]

    def received(self) -> str:
        """Return everything that the phone took, in one text."""
        return " ".join(request.title + request.message for request in self.phone.accepted)

    @contextmanager
    def desk(self) -> Iterator[AlarmDesk]:
        """Open the alarm desk as the command line does."""
        with Store.open(self.url()) as store:
            yield AlarmDesk(store, Nobody(), SystemClock(), from_memory=False)

    def acknowledge(self, name: str = "north") -> tuple[Alarm, ...]:
        """Acknowledge what stands, as `ullage ack` does; it is promised when this returns."""
        with self.desk() as desk:
            changed: tuple[Alarm, ...] = desk.acknowledge(name, None, "brewer")
            self.promised += [(alarm.key, round(alarm.acknowledged_s or 0.0, 3)) for alarm in changed]
        return changed

    def publish(self, *pressures_bar: float, name: str = "north") -> None:
        """Publish pressures up to a tenth of a second apart, the last of them now; the broker has them then."""
        count, newest_s = len(pressures_bar), self._newest_s.get(name, 0.0)
        time.sleep(max(0.0, newest_s + 0.002 * (count + 1) - time.time()))  # no two within a millisecond
        now_s = time.time()
        first_s = max(now_s - 0.1 * count, newest_s + 0.002)
        step_s = (now_s - first_s) / max(1, count - 1)
        self._newest_s[name] = now_s
        payloads = [payload(p, first_s + n * step_s) for n, p in enumerate(pressures_bar)]
        self.broker.publish(f"cellar/{name}", *payloads)

    def send(self, times_ms: Sequence[int], pressure_bar: float = 1.0, name: str = "north") -> None:
        """Publish readings with these times, faster than they were taken; the broker has them then."""
        self.broker.publish(f"cellar/{name}", *[payload(pressure_bar, ms / 1000) for ms in times_ms])

    def rings(self, within_s: float = 20.0, *, name: str = "north", since: int | None = None) -> float:
        """Raise the pressure above the limit and wait for the phone; return how long that took."""
        before = len(self.phone.accepted) if since is None else since
        began_s = time.monotonic()
        self.publish(2.6, 2.7, name=name)
        came = self.phone.wait_until(
            lambda _: any(f"{LIMIT_BAR}" in r.message for r in self.phone.accepted[before:]), within_s
        )
        took = [f"{r.title} {r.message}" for r in self.phone.accepted]
        assert came, f"no alarm on the phone within {within_s:g} s; it took {took}; {self.daemon.log[-1500:]}"
        return time.monotonic() - began_s

    def calm_down(self, name: str = "north") -> None:
        """Bring the pressure down; wait for nothing."""
        self.publish(*[1.0] * 8, name=name)

    def calm(self, name: str = "north") -> None:
        """Bring the pressure down, so that the next alarm is a new one, and wait until that is written."""
        before = sum(told.kind == "cleared" for told in self.told("over-pressure"))
        self.calm_down(name)
        wait_until(
            lambda: sum(told.kind == "cleared" for told in self.told("over-pressure")) > before,
            "the end of the over-pressure",
        )


@dataclass
class Brewer:
    """Publishes pressures on and on: calm, and now and then some above the limit."""

    house: House
    name: str = "north"
    sent: dict[int, float] = field(default_factory=dict)
    episodes: list[tuple[float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.client = self.house.broker.client(f"brewer-{self.name}")
        self._asked = self._taken = 0
        self.client.on_publish = self._was_taken
        self.house.bench.at_end(self.close)

    def publish(self, pressure_bar: float, count: int, pause_s: float = 0.02) -> None:
        """Publish, each number its own."""
        for _ in range(count):
            time_ms = round(time.time() * 1000)
            value = round(pressure_bar + (time_ms % 1000) / 1e5, 5)
            self.sent[time_ms] = value
            self.send(value, time_ms)
            time.sleep(pause_s)  # the sensor's own pace

    def send(self, value: float, time_ms: int) -> None:
        """Publish one number."""
        self._asked += 1
        self.client.publish(f"cellar/{self.name}", payload(value, time_ms / 1000), qos=1)

    def _was_taken(self, *_: object) -> None:
        self._taken += 1

    def episode(self, count: int = 20, pause_s: float = 0.02) -> None:
        """Publish above the limit, then below it long enough for that to be over."""
        self.above(count, pause_s)
        self.publish(1.0, count, pause_s)

    def above(self, count: int, pause_s: float) -> None:
        """Publish above the limit."""
        start_s = time.time()
        self.publish(2.6, count, pause_s)
        self.episodes.append((start_s, time.time()))

    def drain(self) -> None:
        """Wait until the broker has taken everything."""
        wait_until(lambda: self._taken == self._asked, "the broker's word on everything", 30)

    def arrived(self) -> bool:
        """Tell whether the newest reading is in the database."""
        return max(self.sent) in self.house.stored(self.name)

    def close(self) -> None:
        """Leave the broker once it has everything."""
        if self.client.is_connected():
            self.drain()
            self.client.disconnect()
        self.client.loop_stop()

    def missing(self) -> list[int]:
        """Return the times of readings that are not in the database; raise if one is there changed."""
        kept = self.house.stored(self.name)
        changed = [time_ms for time_ms, value in kept.items() if self.sent.get(time_ms, value) != value]
        assert not changed, f"readings were changed: {changed[:5]}"
        return sorted(self.sent.keys() - kept.keys())

    def check_alarms(self) -> int:
        """Hold what was told against the episodes: each once, and on the phone; return how many there were."""
        raised = self.house.raised()
        for start_s, end_s in self.episodes:
            within = [told for told in raised if start_s - 0.001 <= told.time_s <= end_s]
            assert len(within) <= 1, f"one episode was told {len(within)} times"
            assert within or any(told.time_s <= start_s for told in raised), "an episode was never told"
        assert len(raised) <= len(self.episodes), "more alarms than episodes"
        received = self.house.received()
        unsent = [told.token for told in raised if told.token not in received]
        assert not unsent, f"alarms stored and never sent: {unsent}"
        return len(self.episodes)
