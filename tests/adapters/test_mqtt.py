"""The MQTT source against a real broker."""

import itertools
import json
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.adapters.received import Received, SystemClock, wait_until
from tests.servers.broker import SECRETS, Broker, need_mosquitto
from tests.servers.certificates import make_certificates
from tests.servers.ports import free_port
from tests.servers.tcp_proxy import TcpProxy
from ullage.adapters.channel import Channel
from ullage.adapters.mqtt import MqttSource
from ullage.adapters.mqtt_settings import MqttSettings
from ullage.adapters.reading import Delivery, Quantity, Reason
from ullage.adapters.source import Source

ROOT = Path(__file__).parents[2]
TOPIC = "cellar/north/beer"
BEER = Channel(vessel="north", quantity=Quantity.TEMPERATURE, unit="Cel", topic=TOPIC)
TIMED = Channel(
    vessel="south", quantity=Quantity.TEMPERATURE, unit="Cel", topic="cellar/south", pointer="/v", time_pointer="/t"
)  # fmt: skip


@pytest.fixture(name="broker")
def _broker(tmp_path: Path) -> Iterator[Broker]:
    with Broker.start(tmp_path / "broker") as broker:
        yield broker


Start = Callable[..., tuple[MqttSource, Received]]


@pytest.fixture(name="start")
def _start() -> Iterator[Start]:
    running: list[tuple[Source, Received]] = []

    def start(
        port: int, *channels: Channel, received: Received | None = None, **keys: Any
    ) -> tuple[MqttSource, Received]:
        keys = {"host": "127.0.0.1", "port": port, "first_pause_s": 0.05, "longest_pause_s": 0.2, **keys}
        source = MqttSource("cellar", MqttSettings(**keys), channels or (BEER,), SystemClock())
        received = received or Received()
        running.append((source, received))
        source.start(received.take)
        return source, received

    yield start
    for source, received in running:
        received.gate.set()
        source.stop()
        assert not source.alive()


def connected(source: Source) -> None:
    wait_until(lambda: source.health().connected, f"connected: {source.health().detail}")


def detail_has(source: Source, words: str) -> None:
    wait_until(lambda: words in source.health().detail, f"{words!r} in health: {source.health().detail}")


def test_a_published_number_becomes_a_reading(broker: Broker, start: Start) -> None:
    """Topic, unit and arrival time make the reading."""
    source, received = start(broker.port)
    connected(source)
    before_s = time.time()
    broker.publish(TOPIC, "18.4")
    received.wait_for_readings(1)
    (reading,) = received.readings
    assert (reading.vessel, reading.quantity, reading.value) == ("north", Quantity.TEMPERATURE, 18.4)
    assert before_s <= reading.time_s <= time.time()


def test_wildcards(broker: Broker, start: Start) -> None:
    """A filter with + and one with # bring their channels what falls under them."""
    plus = Channel(vessel="north", quantity=Quantity.PRESSURE, unit="mbar", topic="cellar/+/top")
    rest = Channel(vessel="north", quantity=Quantity.JOURNAL, unit="", topic="notes/#")
    source, received = start(broker.port, plus, rest)
    connected(source)
    broker.publish("cellar/north/top", "1211")
    broker.publish("notes/a/b", "valve set 1.5")
    received.wait_for_readings(2)
    assert [(reading.value, reading.text) for reading in received.readings] == [
        (1.211, ""),
        (0.0, "valve set 1.5"),
    ]


@pytest.mark.parametrize("protocol", ["v5", "v3.1.1"])
def test_what_arrives_while_we_are_down_is_delivered_once(
    broker: Broker, start: Start, protocol: str
) -> None:
    """2,000 messages that queued at the broker come once each, in order, none sharing a time."""
    if protocol == "v5":
        need_mosquitto()
    source, _ = start(broker.port, protocol=protocol)
    connected(source)
    source.stop()
    broker.publish(TOPIC, *(str(number) for number in range(2000)))
    source, received = start(broker.port, protocol=protocol)
    received.wait_for_readings(2000)
    assert received.values == [float(number) for number in range(2000)]
    assert len({round(reading.time_s * 1000) for reading in received.readings}) == 2000
    assert "the session was kept" in source.health().detail
    wait_until(lambda: len(source._inflight) == 0, "everything acknowledged")


@pytest.mark.parametrize("protocol", ["v5", "v3.1.1"])
def test_what_was_not_acknowledged_comes_again(broker: Broker, start: Start, protocol: str) -> None:
    """A pipeline that dies with readings in its hands gets them again from the broker."""
    if protocol == "v5":
        need_mosquitto()
    source, received = start(broker.port, received=Received(acknowledging=False), protocol=protocol)
    connected(source)
    broker.publish(TOPIC, "1", "2", "3")
    received.wait_for_readings(3)
    received.deliveries[0].acknowledge()
    acknowledged = len(received.deliveries[0].readings)
    source.stop()
    _, again = start(broker.port, protocol=protocol)
    again.wait_for_readings(3 - acknowledged)
    assert again.values == [1.0, 2.0, 3.0][acknowledged:]


def test_acknowledgements_may_come_late_mixed_up_and_from_any_thread(broker: Broker, start: Start) -> None:
    """They leave in the order of arrival, and the broker is satisfied in the end."""
    source, received = start(broker.port, received=Received(acknowledging=False), receive_maximum=20)
    connected(source)
    publisher = threading.Thread(target=broker.publish, args=(TOPIC, *(str(number) for number in range(200))))
    publisher.start()
    done = 0
    while sum(len(delivery.readings) for delivery in received.deliveries[:done]) < 200:
        wait_until(lambda done=done: len(received.deliveries) > done, "more deliveries")  # type: ignore[misc]
        fresh = received.deliveries[done:]
        done += len(fresh)
        threads = [threading.Thread(target=delivery.acknowledge) for delivery in reversed(fresh)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    publisher.join()
    assert sorted(received.values) == [float(number) for number in range(200)]
    wait_until(lambda: len(source._inflight) == 0, "everything acknowledged")


def test_retained_is_old_news_unless_it_has_its_own_time(broker: Broker, start: Start) -> None:
    """What the broker had kept is refused, what says when it was measured is used, what comes later is fresh."""
    own_s = time.time() - 3600
    broker.publish(TOPIC, "18.4", retain=True)
    broker.publish("cellar/south", json.dumps({"v": 12.5, "t": own_s}), retain=True)
    _, received = start(broker.port, BEER, TIMED)
    received.wait_for_readings(1)
    received.wait_for_refusals(1)
    (reading,) = received.readings
    assert reading.vessel == "south"
    assert reading.time_s == pytest.approx(own_s)
    assert [refusal.reason for refusal in received.refusals] == [Reason.OLD_NEWS]
    broker.publish(TOPIC, "18.5", retain=True)
    received.wait_for_readings(2)
    assert received.values == [12.5, 18.5]


class Watcher:
    """Another program on the broker that looks at our status topic."""

    def __init__(self, broker: Broker, topic: str) -> None:
        self.seen: list[tuple[bytes, bool]] = []
        self._client = broker.client()
        self._client.on_message = lambda client, userdata, message: self.seen.append(
            (bytes(message.payload), message.retain)
        )
        self._client.subscribe(topic, qos=1)

    def sees(self, *payloads: bytes) -> None:
        wait_until(
            lambda: [payload for payload, _ in self.seen] == list(payloads), f"{payloads} in {self.seen}"
        )

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def test_others_see_us_come_and_go(broker: Broker, start: Start) -> None:
    """`online` while we run and `offline` when we stop, both retained."""
    watcher = Watcher(broker, "ullage/ullage-cellar/status")
    source, _ = start(broker.port)
    watcher.sees(b"online")
    source.stop()
    watcher.sees(b"online", b"offline")
    watcher.close()
    late = Watcher(broker, "ullage/ullage-cellar/status")
    late.sees(b"offline")
    assert late.seen == [(b"offline", True)]
    late.close()


DAEMON = """
import sys, time
from tests.adapters.received import Received, SystemClock
from ullage.adapters.channel import Channel
from ullage.adapters.mqtt import MqttSource
from ullage.adapters.mqtt_settings import MqttSettings
from ullage.adapters.reading import Quantity
channel = Channel(vessel="north", quantity=Quantity.TEMPERATURE, unit="Cel", topic="cellar/north/beer")
source = MqttSource("cellar", MqttSettings(host="127.0.0.1", port=int(sys.argv[1])), (channel,), SystemClock())
source.start(Received(acknowledging=False).take)
time.sleep(60)
"""


def test_others_see_us_die_and_nothing_is_lost(broker: Broker, start: Start) -> None:
    """Killed outright, the broker says `offline` for us and keeps what we had not acknowledged."""
    watcher = Watcher(broker, "ullage/+/status")
    with subprocess.Popen([sys.executable, "-c", DAEMON, str(broker.port)], cwd=ROOT) as process:
        watcher.sees(b"online")
        broker.publish(TOPIC, "18.4")
        process.kill()
    watcher.sees(b"online", b"offline")
    watcher.close()
    _, received = start(broker.port)
    received.wait_for_readings(1)
    assert received.values == [18.4]


def test_credentials(tmp_path: Path, start: Start) -> None:
    """The right password connects, from a file too; a wrong one says so and never shows itself."""
    with Broker.start(tmp_path / "broker", passwords=SECRETS) as broker:
        source, _ = start(broker.port, username="brewer", password="wrong-pass", client_id="one")
        detail_has(source, "check username")
        assert "wrong-pass" not in repr(source._settings) + source.health().detail
        file = tmp_path / "password"
        file.write_text(SECRETS["brewer"] + "\n")
        source, received = start(broker.port, username="brewer", password_file=file, client_id="two")
        connected(source)
        broker.publish(TOPIC, "18.4")
        received.wait_for_readings(1)
        source, _ = start(broker.port, username="brewer", password_file=tmp_path / "none", client_id="three")
        detail_has(source, "the password can't be read")


# paho leaves it to the garbage collector to close a socket on which the handshake failed
@pytest.mark.filterwarnings(
    "ignore:Exception ignored in. <ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning"
)
def test_tls(tmp_path: Path, start: Start) -> None:
    """A broker that a trusted authority vouches for is used; any other is refused, and so is the wrong name."""
    ours = make_certificates(tmp_path / "ours")
    elsewhere = make_certificates(tmp_path / "elsewhere", host="127.0.0.9")
    demands = ["require_certificate true", f"cafile {ours.authority}"]
    with Broker.start(tmp_path / "broker", certificates=ours) as broker:
        source, received = start(broker.port, tls=True, ca_file=ours.authority)
        connected(source)
        broker.publish(TOPIC, *(str(number) for number in range(300)))
        received.wait_for_readings(300)
        source, _ = start(broker.port, tls=True, client_id="no-authority")
        detail_has(source, "certificate is not trusted")
        assert "check host, ca_file and this machine's clock" in source.health().detail
        source, _ = start(broker.port, client_id="no-tls")
        wait_until(lambda: source.health().restarts > 0, "a failed try without TLS")
        assert not source.health().connected
        source, _ = start(broker.port, tls=True, ca_file=tmp_path / "none.pem", client_id="no-file")
        detail_has(source, "the TLS files can't be used")
    with Broker.start(tmp_path / "other", certificates=elsewhere) as broker:
        source, _ = start(broker.port, tls=True, ca_file=elsewhere.authority, client_id="wrong-name")
        detail_has(source, "certificate is not trusted")
    with Broker.start(tmp_path / "strict", certificates=ours, extra=demands) as broker:
        source, _ = start(
            broker.port,
            tls=True,
            ca_file=ours.authority,
            certificate_file=ours.client,
            key_file=ours.client_key,
        )
        connected(source)


def test_a_broker_that_knows_only_3_1_1(tmp_path: Path, start: Start) -> None:
    """The fall-back comes at once and is remembered over a reconnect."""
    with Broker.start(tmp_path / "old", engine="iotcore") as broker, TcpProxy(broker.port) as proxy:
        source, received = start(proxy.port)
        connected(source)
        assert "MQTT 3.1.1" in source.health().detail
        assert source.health().restarts == 0
        tries = proxy.connections
        proxy.cut()
        wait_until(lambda: source.health().restarts > 0 and source.health().connected, "connected again")
        assert proxy.connections == tries + 1
        broker.publish(TOPIC, "18.4")
        received.wait_for_readings(1)


@pytest.mark.parametrize("answer", [b"\x20\x03\x00\x84\x00", b"\x20\x02\x00\x01"])
def test_a_broker_that_says_it_can_not_speak_5(broker: Broker, start: Start, answer: bytes) -> None:
    """CONNACK 0x84 of MQTT 5 (section 3.2.2.2) and 0x01 of 3.1.1 (section 3.2.2.3) both lead to 3.1.1."""
    need_mosquitto()

    def refuse_five(chunk: bytes) -> bytes:
        # a CONNACK of MQTT 5 is longer than four bytes
        return answer if chunk[:1] == b"\x20" and chunk[1:2] != b"\x02" else chunk

    with TcpProxy(broker.port, to_client=refuse_five) as proxy:
        source, received = start(proxy.port)
        connected(source)
        assert "MQTT 3.1.1" in source.health().detail
        broker.publish(TOPIC, "18.4")
        received.wait_for_readings(1)
        only_five, _ = start(proxy.port, protocol="v5", client_id="only-five")
        detail_has(only_five, "does not speak MQTT 5")


@pytest.mark.parametrize(
    ("protocol", "granted", "refused"),
    [
        # SUBACKs of 3.1.1 are 90 03 <identifier> <code>, of MQTT 5 they have an empty list of properties before the code
        ("v3.1.1", b"\x90\x03\x00\x02\x01", b"\x90\x03\x00\x02\x80"),
        ("v5", b"\x90\x04\x00\x02\x00\x01", b"\x90\x04\x00\x02\x00\x87"),
    ],
)
def test_a_refused_topic_is_told(
    broker: Broker, start: Start, protocol: str, granted: bytes, refused: bytes
) -> None:
    """SUBACK 0x80 (MQTT 3.1.1 section 3.9.3) and 0x87 (5, table 3-8) show in the health; the other topics go on."""
    need_mosquitto()

    def refuse_second(chunk: bytes) -> bytes:
        return chunk.replace(granted, refused)  # our second SUBSCRIBE has identifier 2

    other = Channel(vessel="south", quantity=Quantity.TEMPERATURE, unit="Cel", topic="secret/beer")
    with TcpProxy(broker.port, to_client=refuse_second) as proxy:
        source, received = start(proxy.port, BEER, other, protocol=protocol)
        detail_has(source, "the broker refuses the topic secret/beer")
        assert source.health().connected
        broker.publish(TOPIC, "18.4")
        received.wait_for_readings(1)


def test_what_a_broker_keeps_comes_once_for_a_session(broker: Broker, start: Start) -> None:
    """A retained message is sent at every subscribing, unless it is asked for at new ones alone (MQTT 5 section 3.8.3.1)."""
    need_mosquitto()
    broker.publish(
        TOPIC, "18.4", retain=True, qos=0
    )  # at QoS 1 it would rightly come again if a cut took its answer
    with TcpProxy(broker.port) as proxy:
        source, received = start(proxy.port)
        received.wait_for_refusals(1)
        for tries in range(1, 4):
            proxy.cut()
            wait_until(
                lambda tries=tries: source.health().restarts >= tries and source.health().connected,  # type: ignore[misc]
                "connected again",
            )
            broker.publish(TOPIC, str(tries))
            received.wait_for_readings(tries)
    assert [refusal.reason for refusal in received.refusals] == [Reason.OLD_NEWS]


def test_a_broker_that_has_forgotten_us_is_asked_anew(broker: Broker, start: Start) -> None:
    """Mosquitto writes sessions down every half hour (mosquitto.conf(5), autosave_interval): a power cut costs them."""
    need_mosquitto()
    source, received = start(broker.port)
    connected(source)
    broker.kill()
    (broker.directory / "store" / "mosquitto.db").unlink(missing_ok=True)
    broker.restart()
    detail_has(source, "a new session")
    broker.publish(TOPIC, "18.4")
    received.wait_for_readings(1)
    assert received.values == [18.4]


def test_a_broker_that_dies_mid_stream(broker: Broker, start: Start) -> None:
    """Killed and started again, everything that the publisher sent at QoS 1 arrives."""
    need_mosquitto()
    source, received = start(broker.port)
    connected(source)
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="probe", clean_session=False)
    client.reconnect_delay_set(1, 1)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    for number in range(300):
        client.publish(TOPIC, str(number), qos=1)
        if number == 100:
            received.wait_for_readings(50)
            broker.stop()
        if number == 200:
            broker.restart()
    wait_until(lambda: len(set(received.values)) == 300, "all of them arrive", timeout_s=30)
    assert set(received.values) == {float(number) for number in range(300)}
    client.disconnect()
    client.loop_stop()


def test_a_broken_connection_makes_no_reading_twice(broker: Broker, start: Start) -> None:
    """What we hold unacknowledged is sent again by the broker and recognised."""
    with TcpProxy(broker.port) as proxy:
        source, received = start(proxy.port, received=Received(acknowledging=False))
        connected(source)
        broker.publish(TOPIC, *(str(number) for number in range(10)))
        received.wait_for_readings(10)
        proxy.cut()
        wait_until(lambda: source.health().restarts > 0 and source.health().connected, "connected again")
        wait_until(lambda: len(source._inflight) == 10, "all ten came again")
        for delivery in received.deliveries:
            delivery.acknowledge()
        wait_until(lambda: len(source._inflight) == 0, "everything acknowledged")
        broker.publish(TOPIC, "10")
        received.wait_for_readings(11)
    assert received.values == [float(number) for number in range(11)]


def test_a_broker_that_starts_after_us(tmp_path: Path, start: Start) -> None:
    """We try for ever and say in the meantime what is wrong."""
    port = free_port()
    source, received = start(port)
    detail_has(source, "no connection")
    wait_until(lambda: source.health().restarts > 2, "several tries")
    with Broker.start(tmp_path / "late", port=port) as broker:
        connected(source)
        broker.publish(TOPIC, "18.4")
        received.wait_for_readings(1)
        source.stop()


def test_tries_are_spread_by_chance(start: Start) -> None:
    """After a power cut every client comes at once; each pause is drawn anew between nothing and its longest."""
    times_s: list[float] = []
    longest_s = 0.3
    with socket.create_server(("127.0.0.1", 0)) as listener:
        source, _ = start(
            listener.getsockname()[1], protocol="v5", first_pause_s=longest_s, longest_pause_s=longest_s
        )
        for _ in range(25):
            connection, _ = listener.accept()
            times_s.append(time.monotonic())
            connection.close()
        source.stop()
    pauses_s = sorted(after - before for before, after in itertools.pairwise(times_s))
    assert pauses_s[2] < longest_s / 2 < pauses_s[-3]  # equal pauses would lie on one side


def test_junk_is_refused_acknowledged_and_gone(broker: Broker, start: Start) -> None:
    """Payloads that can't be read never come back and never stop what can."""
    source, received = start(broker.port)
    connected(source)
    junk = [b"", b"\xff\x00\xfe", b"{", b"[" * 5000, b"NaN", b"9" * 20_000, b"18,4"]
    broker.publish(TOPIC, *junk, b"18.4")
    received.wait_for_readings(1)
    received.wait_for_refusals(len(junk))
    assert received.values == [18.4]
    assert all(refusal.where == TOPIC and refusal.detail for refusal in received.refusals)
    wait_until(lambda: len(source._inflight) == 0, "everything acknowledged")
    source.stop()
    source, received = start(broker.port)
    connected(source)
    broker.publish(TOPIC, "18.5")
    received.wait_for_readings(1)
    assert received.refusals == []


def test_an_old_subscription_is_given_up(broker: Broker, start: Start) -> None:
    """A session may hold the topics of an earlier config: refused once, then unsubscribed."""
    need_mosquitto()
    source, _ = start(broker.port)
    connected(source)
    source.stop()
    elsewhere = Channel(vessel="north", quantity=Quantity.TEMPERATURE, unit="Cel", topic="new/place")
    source, received = start(broker.port, elsewhere)
    connected(source)
    broker.publish(TOPIC, "18.4")
    received.wait_for_refusals(1)
    assert received.refusals[0].reason is Reason.UNKNOWN_TOPIC

    def quiet() -> bool:
        before = len(received.refusals)
        broker.publish(TOPIC, "18.4")
        broker.publish("new/place", "18.4")
        known = len(received.readings)
        wait_until(lambda: len(received.readings) > known or bool(received.readings), "the new topic")
        return len(received.refusals) == before

    wait_until(quiet, "the old topic is no longer sent")


def test_the_connection_outlives_a_pipeline_that_stops_taking(broker: Broker, start: Start) -> None:
    """Blocked for two and a half keep-alives, the broker does not lose us; all comes in order afterwards."""
    need_mosquitto()
    source, received = start(broker.port, keep_alive_s=2)
    connected(source)
    received.gate.clear()
    broker.publish(TOPIC, *(str(number) for number in range(200)))
    began_s = time.monotonic()
    wait_until(lambda: time.monotonic() - began_s > 5, "five seconds pass")
    assert source.health().connected
    assert source.health().restarts == 0
    received.gate.set()
    received.wait_for_readings(200)
    assert received.values == [float(number) for number in range(200)]


def test_a_flood_at_qos_0_is_dropped_and_counted(broker: Broker, start: Start) -> None:
    """With the pipeline blocked and no room left, messages without a guarantee go first, and it is said how many."""
    need_mosquitto()
    source, received = start(broker.port, keep_alive_s=2, receive_maximum=5)
    connected(source)
    received.gate.clear()
    broker.publish(TOPIC, *(str(number) for number in range(1000)), qos=0)
    wait_until(lambda: source._waiting._dropped > 300, "a good part dropped")
    received.gate.set()

    def dropped() -> int:
        return sum(
            int(each.detail.split()[0]) for each in received.refusals if each.reason is Reason.QUEUE_FULL
        )

    wait_until(lambda: dropped() + len(received.readings) == 1000, "all accounted for")
    assert dropped() > 300
    assert source.health().restarts == 0


def test_a_broker_without_limit_loses_nothing_either(tmp_path: Path, start: Start) -> None:
    """3.1.1 knows no receive maximum: past what we hold the connection ends and the session keeps the rest."""
    extra = ["max_inflight_messages 0"]
    with Broker.start(tmp_path / "eager", extra=extra) as broker:
        source, received = start(broker.port, protocol="v3.1.1", keep_alive_s=2, receive_maximum=5)
        connected(source)
        received.gate.clear()
        broker.publish(TOPIC, *(str(number) for number in range(1000)))
        detail_has(source, "the pipeline takes nothing")
        received.gate.set()
        received.wait_for_readings(1000)
        assert received.values == [float(number) for number in range(1000)]
        source.stop()


def test_a_hand_over_that_fails_is_made_again(broker: Broker, start: Start) -> None:
    """An error in the pipeline shows in the health, and the readings come again."""
    failures = iter([RuntimeError("the pipeline tripped")])

    class Tripping(Received):
        def take(self, delivery: Delivery) -> None:
            if delivery.readings and (failure := next(failures, None)) is not None:
                raise failure
            super().take(delivery)

    source, received = start(broker.port, received=Tripping(), first_pause_s=0.3, longest_pause_s=0.3)
    connected(source)
    broker.publish(TOPIC, "18.4")
    received.wait_for_readings(1)
    assert received.values == [18.4]
    assert source.health().restarts == 1


def test_two_programs_with_one_client_id_are_told(broker: Broker, start: Start) -> None:
    """They throw each other out for ever; the reason must be readable."""
    need_mosquitto()
    source, _ = start(broker.port)
    connected(source)
    other, _ = start(broker.port)
    details: set[str] = set()

    def told() -> bool:
        details.update((source.health().detail, other.health().detail))
        return any("use the same client_id" in detail for detail in details)

    wait_until(told, "the reason")


def test_the_reason_that_a_broker_gives_for_hanging_up_is_told(broker: Broker, start: Start) -> None:
    """DISCONNECT with reason 0x8E, session taken over (MQTT 5 section 3.14.2.1)."""
    need_mosquitto()

    def hang_up(chunk: bytes) -> bytes:
        return b"\xe0\x02\x8e\x00" if chunk[:1] == b"\x32" else chunk

    with TcpProxy(broker.port, to_client=hang_up) as proxy:
        source, _ = start(proxy.port, first_pause_s=2.0, longest_pause_s=2.0)
        connected(source)
        broker.publish(TOPIC, "18.4")
        detail_has(source, "Session taken over; another program uses the same client_id")


def test_stopping_is_quick_when_the_broker_is_away(start: Start) -> None:
    """A stop does not wait for a broker that is not there."""
    source, _ = start(free_port())
    detail_has(source, "no connection")
    began_s = time.monotonic()
    source.stop()
    assert time.monotonic() - began_s < 2
    assert not source.alive()
