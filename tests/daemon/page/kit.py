"""A small cellar with a page in front of it: real store, desk, pipeline and server; only the clock is moved by hand."""

import http.client
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from ullage.adapters.channel import Channel
from ullage.adapters.reading import Delivery, Quantity, Reading
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.clock import ManualClock
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.local_time import LocalTime
from ullage.daemon.page.cellar import Cellar
from ullage.daemon.page.server import PageServer
from ullage.daemon.page_settings import PageSettings
from ullage.daemon.pipeline import Pipeline
from ullage.daemon.routes import Nobody
from ullage.daemon.store.journal_tail import entries_after
from ullage.daemon.store.store import Store
from ullage.daemon.watched import Watched
from ullage.detectors.registry import compose
from ullage.detectors.samples import Entry, Kind
from ullage.detectors.vessel import Probe, Vessel
from ullage.detectors.watch import VesselWatch

START_S = 1_772_355_600.0
"""2026-03-01 09:00 UTC, an invented morning."""
DAY_S = 86_400.0
TOKEN = "k3Jf9-wQzT7uYbN2mXr5Lp8Vd1"
NORTH = Vessel(
    name="north",
    total_volume_l=23,
    beer_volume_l=19,
    rated_pressure_bar=2.5,
    valve_pressure_bar=1.5,
    yeast_temperature_c=(18, 24),
    original_gravity=1.048,
    probe=Probe.BEER,
    sensors=frozenset({Kind.TEMPERATURE, Kind.PRESSURE}),
)
HOSTILE = '<b id="x">"south\' & co'
"""A name that must stay a name."""


@dataclass(slots=True)
class Answer:
    """What the server said."""

    status: int
    headers: Mapping[str, str]
    cookies: tuple[str, ...]
    text: str

    def json(self) -> Any:
        """Return the body as JSON."""
        return json.loads(self.text)


class Kit:
    """A page over an invented cellar.

    Parameters
    ----------
    folder
        For the database.
    settings
        Of the page; any free port.
    token
        The token, if one is set.
    """

    def __init__(
        self,
        folder: Path,
        settings: PageSettings | None = None,
        token: str | None = None,
        url: str | None = None,
    ) -> None:
        self.clock = ManualClock(wall_s=START_S)
        self.store = Store.open(url or f"sqlite:///{folder / 'page.db'}")
        self.desk = AlarmDesk(self.store, Nobody(), self.clock)
        vessels = [_watched(NORTH), _watched(replace(NORTH, name=HOSTILE))]
        self.pipeline = Pipeline(
            {v.vessel.name: Watched(v.vessel.name, partial(_detectors, v), self.clock) for v in vessels},
            self.store,
            self.desk,
            self.clock,
        )
        self.cellar = Cellar(
            self.store, self.desk, vessels, self.clock, LocalTime.named("UTC"), self.pipeline
        )
        self.server = PageServer(self.cellar, settings or PageSettings(port=0), token)
        self._last_entry = 0
        self.air_c: float | None = None
        """Of the fridge that `north` stands in, where a thermometer hangs in it."""

    def start(self) -> "Kit":
        """Serve."""
        self.server.start()
        return self

    def close(self) -> None:
        """Stop and close the database."""
        self.server.stop()
        self.store.close()

    @property
    def port(self) -> int:
        """The port that was taken."""
        found = re.search(r":(\d+)/$", self.server.address)
        assert found is not None
        return int(found[1])

    # the cellar

    def read(self, bar: float | None, celsius: float | None, vessel: str = "north") -> None:
        """Let one reading of each kind arrive now."""
        now_s = self.clock.wall_s()
        air_c = self.air_c if vessel == NORTH.name else None
        given = ((Quantity.PRESSURE, bar), (Quantity.TEMPERATURE, celsius), (Quantity.AIR_TEMPERATURE, air_c))
        readings = tuple(
            Reading(vessel, quantity, now_s, value) for quantity, value in given if value is not None
        )
        self.pipeline.deliver(Delivery("test", readings))
        self.turn()

    def turn(self) -> None:
        """Let the pipeline work, and take in what was entered."""
        for name, entry in entries_after(self.store, self._last_entry):
            self._last_entry = entry.id
            self.pipeline.enter(name, Entry(time_s=entry.time_s, text=entry.text), entry.id)
        self.pipeline.turn()
        self.desk.tick()

    def go_on(self, seconds: float) -> None:
        """Let time pass, though nothing arrives."""
        self.clock.advance(seconds)
        self.turn()

    def live_a_day(self, days: float = 1.0, every_s: float = 60.0) -> None:
        """Let days pass with a reading a minute: a climb to the valve, and a fridge that swings."""
        for step in range(round(days * DAY_S / every_s)):
            hours = step * every_s / 3600
            bar = min(hours * 0.08, 1.5)
            self.read(bar + 0.001 * (hours * 60 % 3), 20 + float(np.sin(hours)))
            self.clock.advance(every_s)

    def over_pressure(self) -> None:
        """Raise the alarm of alarms."""
        for _ in range(2):
            self.read(2.7, 20.0)
            self.clock.advance(10.0)

    # the page

    def ask(
        self,
        path: str,
        body: object = None,
        *,
        headers: Mapping[str, str] | None = None,
        method: str | None = None,
        host: str | None = None,
    ) -> Answer:
        """Send one request."""
        data, sent = None, {"Host": host or f"127.0.0.1:{self.port}", **(headers or {})}
        if isinstance(body, (str, bytes)):
            data = body if isinstance(body, bytes) else body.encode()
        elif body is not None:
            data = json.dumps(body).encode()
            sent.setdefault("Content-Type", "application/json")
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        try:
            connection.putrequest(
                method or ("GET" if data is None else "POST"), path, skip_host=True, skip_accept_encoding=True
            )
            for name, value in sent.items():
                connection.putheader(name, value)
            if data is not None:
                connection.putheader("Content-Length", str(len(data)))
            connection.endheaders(data)
            answer = connection.getresponse()
            pairs: Sequence[tuple[str, str]] = answer.getheaders()
            return Answer(
                status=answer.status,
                headers={name.lower(): value for name, value in pairs},
                cookies=tuple(value for name, value in pairs if name.lower() == "set-cookie"),
                text=answer.read().decode(),
            )
        finally:
            connection.close()


def _watched(vessel: Vessel) -> WatchedVessel:
    channels = tuple(
        Channel(vessel=vessel.name, quantity=quantity, source="test", unit=unit)
        for quantity, unit in ((Quantity.TEMPERATURE, "Cel"), (Quantity.PRESSURE, "bar"))
    )
    return WatchedVessel(vessel=vessel, channels=channels, detectors=compose({}))


def _detectors(watched: WatchedVessel) -> VesselWatch:
    return VesselWatch(watched.vessel, watched.detectors)
