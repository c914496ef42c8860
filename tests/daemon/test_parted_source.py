"""One configured source as a session for each part of the vessels, against a real broker."""

import threading
from collections.abc import Callable, Collection, Iterator
from pathlib import Path

import pytest

from tests.servers.broker import Broker
from tests.servers.daemon import wait_until
from ullage.adapters.channel import Channel
from ullage.adapters.mqtt import MqttSource
from ullage.adapters.mqtt_settings import MqttSettings
from ullage.adapters.reading import Delivery, Quantity
from ullage.adapters.source import Source
from ullage.daemon.clock import SystemClock
from ullage.daemon.parted_source import PartedSource

VESSELS = {1: ("north", "south"), 2: ("east",)}


class Taker:
    """Takes deliveries and acknowledges them when it is told to."""

    def __init__(self) -> None:
        self.deliveries: list[Delivery] = []
        self.hold = False
        self._lock = threading.Lock()

    def take(self, delivery: Delivery) -> None:
        with self._lock:
            self.deliveries.append(delivery)
        if not self.hold:
            delivery.acknowledge()

    def values(self) -> list[tuple[str, str, float]]:
        with self._lock:
            return [(d.source, r.vessel, r.value) for d in self.deliveries for r in d.readings]


Make = Callable[..., tuple[PartedSource, Taker]]


@pytest.fixture(name="broker")
def _broker(tmp_path: Path) -> Iterator[Broker]:
    broker = Broker.start(tmp_path / "broker")
    yield broker
    broker.stop()


@pytest.fixture(name="make")
def _make(broker: Broker) -> Iterator[Make]:
    made: list[PartedSource] = []

    def part(number: int, vessels: Collection[str]) -> Source | None:
        settings = MqttSettings(host="127.0.0.1", port=broker.port, first_pause_s=0.05).for_part(
            "cellar", number
        )
        channels = [
            Channel(
                vessel=name, quantity=Quantity.PRESSURE, unit="bar", source="cellar", topic=f"cellar/{name}"
            )
            for name in vessels
            if name != "unread"
        ]
        return MqttSource("cellar", settings, channels, SystemClock()) if channels else None

    def make(permitted: Callable[[float], bool] = lambda down_s: True) -> tuple[PartedSource, Taker]:
        source, taker = PartedSource("cellar", part, permitted, SystemClock()), Taker()
        source.start(taker.take)
        made.append(source)
        return source, taker

    yield make
    for source in made:
        source.stop()


def _connected(source: PartedSource, sessions: int) -> None:
    wait_until(
        lambda: source.health().detail == f"{sessions} sessions" and source.health().connected, "sessions"
    )


def test_each_part_has_a_session_and_hears_its_own_vessels(broker: Broker, make: Make) -> None:
    """Deliveries say by which session they came; vessels of parts that are not here are not heard."""
    source, taker = make()
    source.open(1, VESSELS[1])
    _connected(source, 1)
    for name in ("north", "south", "east"):
        broker.publish(f"cellar/{name}", "1.5")
    wait_until(lambda: len(taker.values()) == 2, "two readings")
    source.open(2, VESSELS[2])
    _connected(source, 2)
    broker.publish("cellar/east", "1.75")
    wait_until(lambda: len(taker.values()) == 3, "the third")
    assert sorted(taker.values()) == [
        ("cellar/1", "north", 1.5),
        ("cellar/1", "south", 1.5),
        ("cellar/2", "east", 1.75),
    ]


def test_the_next_holder_gets_what_the_last_one_has_not_acknowledged(broker: Broker, make: Make) -> None:
    """It throws the old one off the session, and everything since comes to it and to it alone."""
    old, old_taker = make(lambda down_s: down_s > 60)
    old_taker.hold = True
    old.open(1, VESSELS[1])
    _connected(old, 1)
    broker.publish("cellar/north", "1.0", "1.1")
    wait_until(lambda: len(old_taker.values()) == 2, "both with the old one")
    new, taker = make()
    new.open(1, VESSELS[1])
    wait_until(lambda: len(taker.values()) == 2, "both with the new one")
    broker.publish("cellar/north", "1.2")
    wait_until(lambda: len(taker.values()) == 3, "the third")
    assert [value for _, _, value in taker.values()] == [1.0, 1.1, 1.2]
    wait_until(lambda: not old.health().connected, "the old one to notice that it was thrown off")
    assert len(old_taker.values()) == 2
    _connected(new, 1)


def test_a_broker_that_can_not_be_reached_is_tried_again_and_again(broker: Broker, make: Make) -> None:
    """Only after it has hung up is it kept off: one that was down at first is there as soon as it comes."""
    broker.stop()
    source, taker = make(lambda down_s: down_s > 60)
    source.open(2, VESSELS[2])
    wait_until(lambda: "no connection" in source.health().detail, "the first try to fail")
    broker.restart()
    _connected(source, 1)
    broker.publish("cellar/east", "1.0")
    wait_until(lambda: len(taker.values()) == 1, "a reading")


def test_a_part_that_is_closed_is_silent_and_its_session_stays(broker: Broker, make: Make) -> None:
    """What comes between two holders waits at the broker."""
    first, taker = make()
    first.open(1, VESSELS[1])
    _connected(first, 1)
    broker.publish("cellar/south", "1.0")
    wait_until(lambda: len(taker.values()) == 1, "the first")
    first.close(1)
    assert first.health().detail == "no vessel is held yet"
    broker.publish("cellar/south", "1.1")
    second, other = make()
    second.open(1, VESSELS[1])
    wait_until(lambda: len(other.values()) == 1, "what had waited")
    assert [value for _, _, value in taker.values() + other.values()] == [1.0, 1.1]


def test_a_session_is_opened_only_when_that_is_permitted(broker: Broker, make: Make) -> None:
    """A process that was frozen must not throw the new holder off."""
    allowed = threading.Event()
    source, taker = make(lambda down_s: allowed.is_set())
    source.open(2, VESSELS[2])
    wait_until(
        lambda: "1 of 1 sessions are away" in source.health().detail, "the session to be known as away"
    )
    broker.publish("cellar/east", "1.0")
    assert not source.health().connected
    allowed.set()
    _connected(source, 1)
    broker.publish("cellar/east", "1.1")
    wait_until(lambda: bool(taker.values()), "a reading")
    assert [value for _, _, value in taker.values()] == [1.1]


def test_a_part_that_is_not_read_here_is_no_trouble(make: Make) -> None:
    """A source that none of a part's vessels is read from has nothing to open for it."""
    source, _ = make()
    source.open(3, ["unread"])
    wait_until(lambda: source.health().connected and source.health().detail == "1 sessions", "quiet")
    source.close(3)
