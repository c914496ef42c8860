"""Readings from an MQTT broker: QoS 1, a session that outlives us, acknowledged when the pipeline says so.

Two threads. The source's own thread does the network and nothing else. A second one, the hand-over, decodes and
delivers: `deliver` may block as long as it likes and the connection stays alive. Whatever has piled up meanwhile goes
over as one delivery, so a burst costs little.

When the pipeline stops taking: messages wait here up to twice the receive maximum, which is all that a broker of MQTT 5
sends at QoS 1 before it gets an acknowledgement. If more come all the same (QoS 0, or 3.1.1 with a broker that sets no
limit), reading stops for half a keep-alive and TCP holds the broker back. After that QoS 0 is dropped and counted, and
QoS 1 ends the connection: the session keeps it and the broker sends it again. Nothing of QoS 1 is lost.
"""

import contextlib
import logging
import socket
import threading
from collections.abc import Sequence

from ullage.adapters.channel import Channel
from ullage.adapters.clock import Clock, judging_s
from ullage.adapters.errors import SourceError
from ullage.adapters.mqtt_connection import Arrived, Connection, ProtocolRefusedError
from ullage.adapters.mqtt_inflight import Inflight, Message
from ullage.adapters.mqtt_settings import MqttSettings
from ullage.adapters.mqtt_topics import TopicTable
from ullage.adapters.mqtt_waiting import Waiting
from ullage.adapters.payload import MAX_BYTES
from ullage.adapters.printable import START_BYTES
from ullage.adapters.reading import Delivery, Reading, Reason, Refusal
from ullage.adapters.source import Source

log = logging.getLogger(__name__)

IDLE_S = 1.0
"""How often the network thread looks round when nothing happens."""
LEAVE_S = 2.0
"""How long it waits on stopping for acknowledgements of what was handed over."""
UNSUBSCRIBED_AT_MOST = 100


class MqttSource(Source):
    """A broker and the channels that read from it.

    Parameters
    ----------
    name
        The key under `sources:` in the config.
    settings
        Of the broker.
    channels
        Those whose source this is; each has a topic filter.
    clock
        Wall clock for arrival times, monotonic for deadlines.

    Raises
    ------
    ConfigError
        If a channel can't be right.
    """

    kind = "mqtt"

    def __init__(self, name: str, settings: MqttSettings, channels: Sequence[Channel], clock: Clock) -> None:
        super().__init__(name, first_pause_s=settings.first_pause_s, longest_pause_s=settings.longest_pause_s)
        self._settings = settings
        self._clock = clock
        self._client_id = settings.session_name(name)
        self._status_topic = settings.status_topic.replace("{client_id}", self._client_id)
        self._topics = TopicTable(name, channels)
        self._protocols = ["v5", "v3.1.1"] if settings.protocol == "auto" else [settings.protocol]
        self._protocol_held = False
        self._inflight = Inflight()
        self._waiting = Waiting(2 * settings.receive_maximum)
        self._full_since_s: float | None = None
        self._giver: threading.Thread | None = None
        self._giver_error: Exception | None = None
        self._not_ours: list[str] = []
        self._given_up: set[str] = set()
        self._waker: socket.socket | None = None

    # the network thread

    def _run(self) -> None:
        self._giver_error = None
        self._start_giver()
        woken, self._waker = socket.socketpair()
        connection: Connection | None = None
        try:
            woken.setblocking(False)
            self._waker.setblocking(False)
            connection, resumed = self._connect(woken)
            if not self._stopping.is_set():
                self._inflight.connected(session_present=resumed)
                connection.subscribe(self._topics.subscriptions())
                connection.publish_status("online")
                self._serve(connection, woken, resumed=resumed)
                self._leave(connection, woken)
        finally:
            self._connected = False
            if connection is not None:
                connection.drop()
            self._waker.close()
            woken.close()

    def _connect(self, woken: socket.socket) -> tuple[Connection, bool]:
        first_error: SourceError | None = None
        for protocol in tuple(self._protocols):
            connection = Connection(
                self._settings,
                client_id=self._client_id,
                status_topic=self._status_topic,
                protocol=protocol,
                on_message=self._arrived,
                clock=self._clock,
            )
            try:
                resumed = connection.open(woken, self._stopping.is_set)
            except ProtocolRefusedError as error:
                connection.drop()
                if self._protocol_held and not error.certain:
                    raise
                first_error = first_error or error
                continue
            except Exception:
                connection.drop()
                raise
            if not self._stopping.is_set():
                self._hold(protocol)
            return connection, resumed
        assert first_error is not None
        raise first_error

    def _hold(self, protocol: str) -> None:
        self._protocol_held = True
        self._protocols.sort(key=lambda each: each != protocol)

    def _say_connected(self, connection: Connection, *, resumed: bool) -> None:
        self._connected = self.got_through = True
        protocol = self._protocols[0]
        session = "the session was kept" if resumed else "a new session"
        self._detail = f"connected to {connection.place} with MQTT {protocol.removeprefix('v')}, {session}"
        log.info("source connected", extra={"source": self.name, "detail": self._detail})

    def _serve(self, connection: Connection, woken: socket.socket, *, resumed: bool) -> None:
        refused = 0
        while not self._stopping.is_set():
            self._turn()
            connection.serve_once(woken, read=self._may_read(), timeout_s=IDLE_S)
            connection.acknowledge(self._inflight.due())
            while self._not_ours:
                connection.unsubscribe(self._not_ours.pop())
            if not self._connected and connection.answered():
                self._say_connected(connection, resumed=resumed)
            if len(connection.refused_topics) > refused:
                refused = len(connection.refused_topics)
                self._say_refused(connection)
            if self._giver_error is not None:
                raise self._giver_error
            if self._giver is None or not self._giver.is_alive():
                raise SourceError(
                    self.name, "the thread that hands messages over has died", "it is started again"
                )

    def _may_read(self) -> bool:
        if not self._waiting.full():
            self._full_since_s = None
            return True
        now_s = self._clock.monotonic_s()
        if self._full_since_s is None:
            self._full_since_s = now_s
        return now_s - self._full_since_s > self._settings.keep_alive_s / 2

    def _say_refused(self, connection: Connection) -> None:
        topics = ", ".join(f"{topic} ({why})" for topic, why in connection.refused_topics.items())
        self._detail = f"connected to {connection.place}, but the broker refuses the topic {topics}"
        log.warning("topics refused", extra={"source": self.name, "topics": topics})

    def _arrived(self, arrived: Arrived) -> None:
        message = Message(
            arrived.topic,
            arrived.payload[: MAX_BYTES + 1],  # enough to be refused by
            arrived_s=self._clock.wall_s(),
            mid=arrived.mid,
            qos=arrived.qos,
            retained=arrived.retained,
        )
        if message.qos == 0:
            if self._overwhelmed():
                self._waiting.drop()
            else:
                self._waiting.put(message)
        elif self._inflight.arrived(message):
            if self._overwhelmed():
                message.lost = True
                detail = f"the pipeline takes nothing and {self._waiting.limit} messages wait"
                raise SourceError(self.name, detail, "the session on the broker holds the rest")
            self._waiting.put(message)

    def _overwhelmed(self) -> bool:
        return self._full_since_s is not None and self._waiting.full()

    def _leave(self, connection: Connection, woken: socket.socket) -> None:
        """Give the pipeline a moment to acknowledge what it has, or all of it comes again with new arrival times."""
        self._waiting.clear()
        with contextlib.suppress(SourceError):
            deadline_s = self._clock.monotonic_s() + LEAVE_S
            while self._inflight.handed_over() and self._clock.monotonic_s() < deadline_s:
                connection.serve_once(woken, read=False, timeout_s=0.05)
                connection.acknowledge(self._inflight.due())
            connection.close(woken)
        self._detail = "stopped"

    def _wake(self) -> None:
        waker = self._waker
        if waker is not None:
            with contextlib.suppress(OSError):  # full, which is awake enough, or closed
                waker.send(b".")

    def _interrupt(self) -> None:
        self._wake()

    # the hand-over thread

    def _start_giver(self) -> None:
        if self._giver is None or not self._giver.is_alive():
            self._giver = threading.Thread(target=self._give, name=f"source-{self.name}-give", daemon=True)
            self._giver.start()

    def _give(self) -> None:
        while not self._stopping.is_set():
            messages, dropped = self._waiting.take(IDLE_S)
            if not messages and not dropped:
                continue
            for message in messages:
                message.given = True
            try:
                self._hand_over(self._delivery(messages, dropped))
            except Exception as error:  # noqa: BLE001 - it goes on in the supervised thread
                for message in messages:
                    message.lost = True
                self._giver_error = error
                self._wake()

    def _delivery(self, messages: list[Message], dropped: int) -> Delivery:
        readings: list[Reading] = []
        refusals: list[Refusal] = []
        by_s = judging_s(self._clock)
        for message in messages:
            self._decode(message, by_s, readings, refusals)
        if dropped:
            detail = f"{dropped} messages of QoS 0 were dropped while the pipeline took nothing"
            refusals.append(Refusal(self.name, "", Reason.QUEUE_FULL, detail))

        def acknowledge() -> None:
            for message in messages:
                message.done = True
            self._wake()

        return Delivery(self.name, tuple(readings), tuple(refusals), acknowledge, len(messages))

    def _decode(
        self, message: Message, by_s: float, readings: list[Reading], refusals: list[Refusal]
    ) -> None:
        topic = message.topic
        decoder = self._topics.decoder(topic)
        if decoder is None:
            detail = "no channel reads this topic; the session held an old subscription"
            start = message.payload[:START_BYTES]
            refusals.append(Refusal(self.name, topic, Reason.UNKNOWN_TOPIC, detail, start))
            if topic not in self._given_up and len(self._given_up) < UNSUBSCRIBED_AT_MOST:
                self._given_up.add(topic)
                self._not_ours.append(topic)
            return
        try:
            decoded = decoder.decode(
                message.payload,
                topic,
                message.arrived_s,
                retained=message.retained,
                judging_s=by_s,
            )
        except Exception as error:  # a message that is not acknowledged would come back at every reconnect
            log.exception("decoder failed", extra={"source": self.name, "topic": topic})
            detail = f"{type(error).__name__}: {error}"
            start = message.payload[:START_BYTES]
            refusals.append(Refusal(self.name, topic, Reason.UNDECODABLE, detail, start))
            return
        readings.extend(decoded.readings)
        refusals.extend(decoded.refusals)
