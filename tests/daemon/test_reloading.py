"""A configuration taken over while the daemon runs: what differs is exchanged, everything else stays as it is."""

import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.servers.broker import Broker
from tests.servers.daemon import wait_until
from tests.servers.http_receiver import HttpReceiver
from ullage.adapters.errors import ConfigError, StoreError
from ullage.adapters.reading import Quantity
from ullage.daemon.building import build
from ullage.daemon.reloading import compare
from ullage.daemon.service import DIED, Service
from ullage.daemon.settings import load

Change = Callable[[dict[str, Any]], None]


def vessel(name: str, **keys: object) -> dict[str, Any]:
    channel = {
        "source": "cellar", "topic": f"cellar/{name}", "unit": "bar", "pointer": "/top", "time_pointer": "/t",
    }  # fmt: skip
    own = {"name": name, "total_volume_l": 23, "beer_volume_l": 19, "rated_pressure_bar": 2.5}
    return {**own, "pressure": channel, **keys}


class House:
    """A running daemon in this process, its broker, and its configuration to be edited."""

    def __init__(self, folder: Path, broker: Broker, receiver: HttpReceiver) -> None:
        self.folder, self.broker, self.receiver = folder, broker, receiver
        source = {"kind": "mqtt", "host": "127.0.0.1", "port": broker.port, "first_pause_s": 0.1}
        self.config: dict[str, Any] = {
            "store": {"url": f"sqlite:///{folder / 'ullage.db'}"},
            "vessels": [vessel("north"), vessel("south")],
            "sources": {"cellar": source},
            "notify": {"targets": [{"name": "phone", "url_file": str(self.address("phone"))}]},
        }
        self.path = folder / "config.yaml"
        self.write()
        self.service: Service = build(load(self.path, {}), {})

    def address(self, name: str) -> Path:
        """Write the receiver's address into a file of its own and return where it is."""
        path = self.folder / name
        path.write_text(f"{self.receiver.notify_url}-{name}")
        path.chmod(0o600)
        return path

    def write(self) -> None:
        self.path.write_text(yaml.safe_dump(self.config))
        self.path.chmod(0o600)

    def reload(self, change: Change) -> str:
        change(self.config)
        self.write()
        return self.service.parts.reload()(self.service)

    def publish(self, name: str, *pressures_bar: float) -> None:
        now_s = time.time()
        count = len(pressures_bar)
        payloads = [{"top": p, "t": now_s - 0.1 * (count - n)} for n, p in enumerate(pressures_bar, 1)]
        self.broker.publish(f"cellar/{name}", *map(json.dumps, payloads))

    def judged(self, name: str) -> float | None:
        """Return the newest pressure that a vessel's detectors have taken."""
        watched = self.service.parts.pipeline.watched.get(name)
        newest = watched.latest.get(Quantity.PRESSURE) if watched is not None else None
        return None if newest is None else newest.value

    def standing(self) -> list[tuple[str, str]]:
        alarms = self.service.parts.desk.standing()
        return [(alarm.vessel, alarm.condition) for alarm in alarms if alarm.active]


@pytest.fixture(name="house")
def _house(tmp_path: Path) -> Iterator[House]:
    with Broker.start(tmp_path / "broker") as broker, HttpReceiver() as receiver:
        house = House(tmp_path, broker, receiver)
        house.service.start()
        wait_until(lambda: all(s.health().connected for s in house.service.sources), "a connection")
        yield house
        house.service.stop()


def test_a_limit_changes_for_its_vessel_and_the_other_keeps_its_detectors(house: House) -> None:
    """The new limit raises an alarm on a pressure that the old one allowed; the neighbour's watch is the same object."""
    for name in ("north", "south"):
        house.publish(name, 1.0, 2.0, 2.1)
        wait_until(lambda name=name: house.judged(name) == 2.1, f"{name}'s readings")  # type: ignore[misc]
    source = house.service.sources[0]
    south = house.service.parts.pipeline.watched["south"]
    said = house.reload(lambda config: config["vessels"][0].update(rated_pressure_bar=1.8))
    assert said == "changed north"
    pipeline = house.service.parts.pipeline
    wait_until(lambda: pipeline.watched["north"].watch.vessel.rated_pressure_bar == 1.8, "the new limit")
    assert pipeline.watched["south"] is south
    assert house.service.sources == (source,)
    assert source.health().restarts == 0
    wait_until(lambda: ("north", "over-pressure") in house.standing(), "the alarm by the new limit")
    assert ("south", "over-pressure") not in house.standing()


def test_vessels_come_and_go(house: House) -> None:
    """A new one is watched at once, its first message included; alarms of one taken out are cleared."""
    house.publish("south", 2.6, 2.7)
    wait_until(lambda: ("south", "over-pressure") in house.standing(), "south's alarm")

    def change(config: dict[str, Any]) -> None:
        config["vessels"] = [vessel("north"), vessel("west")]

    said = house.reload(change)
    assert said == "added west; removed south; connected anew cellar"
    wait_until(lambda: house.service.sources[0].health().connected, "a connection")
    house.publish("west", 2.6, 2.7)
    wait_until(lambda: ("west", "over-pressure") in house.standing(), "west's alarm")
    assert house.service.parts.pipeline.watched.keys() == {"north", "west"}
    assert ("south", "over-pressure") not in house.standing()


def test_messages_go_to_the_new_target_and_none_is_left_behind(house: House) -> None:
    """What the old target had not taken yet goes to the one in its place."""
    house.receiver.mode = type(house.receiver.mode).REFUSE
    house.publish("north", 2.6, 2.7)
    wait_until(lambda: bool(house.receiver.requests), "a first try")
    phone = {"name": "other", "url_file": str(house.address("other"))}
    said = house.reload(lambda config: config["notify"].update(targets=[phone]))
    assert said == "messages go to the targets as they stand now"
    house.receiver.mode = type(house.receiver.mode).OK
    wait_until(lambda: any("-other" in r.path for r in house.receiver.accepted), "the message")
    assert all("-other" in r.path for r in house.receiver.accepted)
    house.publish("south", 2.6, 2.7)
    wait_until(lambda: len(house.receiver.accepted) >= 2, "the next message")


def test_another_broker_takes_over(house: House, tmp_path: Path) -> None:
    """The source is connected anew to where it stands now; what the old one was out of reach for is no matter."""
    with Broker.start(tmp_path / "second") as second:
        said = house.reload(lambda config: config["sources"]["cellar"].update(port=second.port))
        assert said == "connected anew cellar"
        wait_until(lambda: house.service.sources[0].health().connected, "a connection")
        house.broker = second
        house.publish("north", 1.0)
        wait_until(lambda: house.judged("north") == 1.0, "a reading from the second broker")
        house.reload(lambda config: config["sources"]["cellar"].update(port=1))
        assert house.service.look() == 0


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda c: c["vessels"][0].update(rated_pressure_bar=-1), "rated_pressure_bar"),
        (lambda c: c["sources"]["cellar"].update(prot=1), "prot"),
        (lambda c: c["notify"]["targets"][0].update(url_file="nowhere"), "nowhere"),
        (lambda c: c["vessels"][0]["pressure"].update(topic="cellar/#/north"), "topic"),
        (lambda c: c.update(page={"host": "0.0.0.0"}), "token"),
    ],
    ids=["limit", "key", "address", "topic", "token"],
)
def test_a_wrong_one_changes_nothing(house: House, change: Change, said: str) -> None:
    """Whatever is wrong with it, everything that ran goes on as it was."""
    parts = house.service.parts
    before = (house.service.sources, dict(parts.pipeline.watched), parts.desk.standing())

    def wrong(config: dict[str, Any]) -> None:
        config["vessels"].append(vessel("west"))  # right by itself
        change(config)

    with pytest.raises(ConfigError, match=said):
        house.reload(wrong)
    assert (house.service.sources, dict(parts.pipeline.watched), parts.desk.standing()) == before
    house.publish("north", 1.25)
    wait_until(lambda: house.judged("north") == 1.25, "a reading")
    assert house.service.look() == 0


def test_it_waits_for_a_database_that_refuses(house: House) -> None:
    """The detectors of a changed vessel come out of the database."""
    with house.service.parts.store.transaction() as connection:
        connection.exec_driver_sql("ALTER TABLE alarm RENAME TO elsewhere")
    house.service.parts.desk.refresh()
    with pytest.raises(StoreError, match="refuses now"):
        house.reload(lambda config: config["vessels"][0].update(rated_pressure_bar=1.8))
    with house.service.parts.store.transaction() as connection:
        connection.exec_driver_sql("ALTER TABLE elsewhere RENAME TO alarm")


def test_what_fails_half_way_ends_the_process(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """The service manager starts it with the same configuration as a whole."""
    monkeypatch.setattr(house.service.parts.desk, "configure", lambda *_: 1 / 0)
    house.config["vessels"][0]["rated_pressure_bar"] = 1.8
    house.write()
    assert house.service.look() == 0
    house.service._take_over()
    assert house.service.look() == DIED


def test_what_counts_from_the_next_start_is_said(house: House) -> None:
    """The database stays open through a reload."""
    old = load(house.path, {})
    house.config["store"]["commit_interval_s"] = 5
    house.write()
    assert (
        compare(old, load(house.path, {})).sentence()
        == "store.commit_interval_s counts from the next start on"
    )
    assert compare(old, old).sentence() == "nothing that concerns vessels, sources or messages has changed"
