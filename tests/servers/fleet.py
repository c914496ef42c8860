"""Several daemons that share an invented cellar through one PostgreSQL and one broker, and sensors that never stop.

fleet = Fleet(directory, broker_port, database_url, receiver, vessels=24)
a, b = fleet.daemon("a"), fleet.daemon("b")
with Sensors(broker, fleet.names) as sensors:
    ...                                   # every vessel sends two quantities in one message, once a second
    sensors.raise_pressure("v003")        # above the rated limit from now on
"""

import json
import re
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

import paho.mqtt.client as paho
import sqlalchemy as sa

from tests.servers.broker import Broker
from tests.servers.daemon import DaemonProcess
from tests.servers.http_receiver import HttpReceiver
from ullage.daemon.store import leases
from ullage.daemon.store.alarm_tables import alarm_event, outbox
from ullage.daemon.store.store import Store

_ID = re.compile(r"\bid (\w+)")

RATED_BAR = 2.5
OVER_BAR = 2.7


@dataclass(kw_only=True)
class Fleet:
    """Daemons of one configuration."""

    directory: Path
    broker_port: int
    url: str
    receiver: HttpReceiver
    vessels: int
    daemons: list[DaemonProcess] = field(default_factory=list)
    killed_s: float = 0.0
    """When one was killed, by the wall clock."""

    @property
    def names(self) -> tuple[str, ...]:
        """The vessels."""
        return tuple(f"v{number:04d}" for number in range(self.vessels))

    def daemon(self, name: str, *, url: str = "", **keys: object) -> DaemonProcess:
        """Return a daemon of that name, not yet started."""
        self.directory.mkdir(parents=True, exist_ok=True)
        address = self.directory / "push-url"
        address.write_text(self.receiver.notify_url)
        address.chmod(0o600)
        config: dict[str, Any] = {
            "store": {"url": url or self.url},
            "vessels": [_vessel(vessel) for vessel in self.names],
            "sources": {
                "cellar": {
                    "kind": "mqtt", "host": "127.0.0.1", "port": self.broker_port, "first_pause_s": 0.2
                }
            },
            "notify": {"targets": [{"name": "phone", "url_file": str(address)}]},
            "schedule": {"daily_digest": ""},
            "share": {"name": name},
            **keys,
        }  # fmt: skip
        environ = {"WATCHDOG_USEC": "2000000"}
        made = DaemonProcess(
            directory=self.directory / f"{name}-{len(self.daemons)}", config=config, environ=environ
        )
        self.daemons.append(made)
        return made

    def holders(self) -> Mapping[str, str]:
        """Return the living daemon that holds each vessel, as the database has it."""
        with self.looking() as store, store.reading() as connection:
            found = leases.holders(connection)
        return {vessel: name for vessel, name in found.items() if vessel}

    def connected(self) -> bool:
        """Tell whether every part's session has been opened once: before that the broker keeps nothing for it."""
        parts = min(self.vessels, leases.FEW_PARTS)
        return sum(daemon.log.count("source connected") for daemon in self.daemons) >= parts

    def shares(self) -> dict[str, int]:
        """Return how many vessels each daemon holds."""
        held = list(self.holders().values())
        return {name: held.count(name) for name in sorted(set(held))}

    def bury(self) -> list[str]:
        """Do the first half of a takeover: free what daemons hold that have not renewed in time; return their names."""
        with Store.open(self.url) as store, store.transaction() as connection:
            leases.take_turns(connection)
            overdue = [member.token for member in leases.members(connection) if member.overdue]
            return [member.name for member in leases.bury(connection, overdue)]

    @contextmanager
    def looking(self) -> Iterator[Store]:
        """Open the database for a look."""
        with Store.open(self.url, read_only=True) as store:
            yield store

    def events(self, condition: str = "over-pressure", kind: str = "raised") -> list[str]:
        """Return the vessel of every event of that condition and kind, in order; of the installation its subject."""
        event = alarm_event.c
        query = sa.select(event.vessel, event.subject).where(event.condition == condition, event.kind == kind)
        with self.looking() as store, store.reading() as connection:
            return [row.vessel or row.subject for row in connection.execute(query.order_by(event.id))]

    def unsent(self) -> int:
        """Return how many messages still wait."""
        query = sa.select(sa.func.count()).where(outbox.c.state == "waiting")
        with self.looking() as store, store.reading() as connection:
            return int(connection.scalar(query) or 0)

    def told(self, condition: str = "over-pressure", kind: str = "raised") -> list[str]:
        """Return the same of every message that the receiver took, as often as it took it.

        A message whose event is not in the database, or not yet, is there by its id.
        """
        event = alarm_event.c
        query = sa.select(event.token, event.vessel, event.subject, event.condition, event.kind)
        with self.looking() as store, store.reading() as connection:
            known = {row.token: row for row in connection.execute(query)}
        tokens = [token for request in self.receiver.accepted for token in _ID.findall(request.message)]
        return [
            known[token].vessel or known[token].subject if token in known else token
            for token in tokens
            if token not in known or (known[token].condition, known[token].kind) == (condition, kind)
        ]

    def stored(self, vessel: str) -> list[int]:
        """Return the times (Unix milliseconds) of the pressures stored for a vessel."""
        with self.looking() as store:
            samples = store.samples(vessel)
        return [
            round(float(t) * 1000) for t, kind in zip(samples.time_s, samples.kind, strict=True) if kind == 1
        ]

    def stop(self) -> None:
        """End every daemon that still runs."""
        for daemon in self.daemons:
            daemon.close()


def _vessel(name: str) -> dict[str, object]:
    common = {"source": "cellar", "topic": f"cellar/{name}", "time_pointer": "/t"}
    return {
        "name": name,
        "total_volume_l": 23,
        "beer_volume_l": 19,
        "rated_pressure_bar": RATED_BAR,
        "valve_pressure_bar": 1.5,
        "temperature": {**common, "pointer": "/beer", "unit": "Cel"},
        "pressure": {**common, "pointer": "/top", "unit": "bar"},
    }


class Sensors:
    """Publishes for every vessel once in `every_s`, spread evenly, and keeps count of what the broker has taken."""

    def __init__(self, broker: Broker, vessels: Sequence[str], *, every_s: float = 1.0) -> None:
        self.confirmed: dict[str, list[int]] = {vessel: [] for vessel in vessels}
        """Times (Unix milliseconds) of what the broker has acknowledged."""
        self._every_s = every_s
        self._over: set[str] = set()
        self._sent: dict[int, tuple[str, int]] = {}
        self._early: set[int] = set()
        self._stopping = threading.Event()
        self._client: paho.Client = broker.client("sensors")
        self._client.on_publish = self._published
        self._thread = threading.Thread(target=self._run, daemon=True)
        self.late_s = 0.0
        """By how much sending has fallen behind its plan at most."""

    def raise_pressure(self, *vessels: str) -> None:
        """Let these be above their rated limit from now on."""
        self._over.update(vessels)

    def lower_pressure(self, *vessels: str) -> None:
        """Let them be below it again."""
        self._over.difference_update(vessels)

    def sent(self) -> int:
        """Return how many messages the broker has taken."""
        return sum(map(len, self.confirmed.values()))

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *unused: object) -> None:
        self._stopping.set()
        self._thread.join(30)
        deadline_s = time.monotonic() + 30
        while self._sent and time.monotonic() < deadline_s:
            time.sleep(0.01)
        self._client.disconnect()
        self._client.loop_stop()

    def _published(self, client: paho.Client, userdata: object, mid: int, *unused: object) -> None:
        self._early.add(mid)
        self._match(mid)

    def _match(self, mid: int) -> None:
        """Count a message once it is both noted as sent and answered, whichever came first; no lock, as paho has its own."""
        if mid in self._early and (found := self._sent.pop(mid, None)) is not None:
            self._early.discard(mid)
            vessel, time_ms = found
            self.confirmed[vessel].append(time_ms)

    def _run(self) -> None:
        vessels, number = list(self.confirmed), 0
        start_s = time.monotonic()
        while not self._stopping.is_set():
            wait_s = start_s + number * self._every_s / len(vessels) - time.monotonic()
            if wait_s > 0:
                self._stopping.wait(wait_s)
            else:
                self.late_s = max(self.late_s, -wait_s)
            self._publish(vessels[number % len(vessels)], number // len(vessels))
            number += 1

    def _publish(self, vessel: str, turn: int) -> None:
        time_ms = round(time.time() * 1000)
        top = OVER_BAR if vessel in self._over else 1.0
        noise = (turn * 7919 + hash(vessel)) % 13 / 2000
        text = json.dumps({"top": round(top + noise, 4), "beer": round(18 + noise, 3), "t": time_ms / 1000})
        mid = self._client.publish(f"cellar/{vessel}", text, qos=1).mid
        self._sent[mid] = (vessel, time_ms)
        self._match(mid)
