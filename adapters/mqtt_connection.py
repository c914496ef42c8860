"""One connection to a broker through paho, driven by its owner's thread: connect, subscribe, read, write, say goodbye.

paho's own network thread is not used: an exception in a callback would end it unseen while the client goes on to call
itself connected (tried with paho 2.2). Here every error comes out of `serve_once` in the owner's thread.
"""

import contextlib
import select
import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from ullage.adapters.clock import Clock
from ullage.adapters.errors import SourceError
from ullage.adapters.mqtt_settings import MqttSettings

READ_BURST = 100
"""Packets read before acknowledgements get their turn."""
LARGEST_PACKET = 2**20
"""Bytes (MQTT 5, section 3.1.2.11.4): a broker keeps what is larger to itself, and memory is spared it."""
ANSWER_S = 10.0
"""How long a broker may take to answer CONNECT."""

_PROTOCOLS = {"v5": MQTTProtocolVersion.MQTTv5, "v3.1.1": MQTTProtocolVersion.MQTTv311}
_UNSUPPORTED = "Unsupported protocol version"
_HINTS = {
    "Not authorized": "check username, password and the broker's access list (the status topic counts, too)",
    "Bad user name or password": "check username and password",
    "Client identifier not valid": "set another client_id",
    "Banned": "ask whoever runs the broker",
    "Session taken over": "another program uses the same client_id; give each its own",
}


class ProtocolRefusedError(SourceError):
    """The broker does not speak this version, or hung up as brokers do that have never heard of it."""

    def __init__(self, subject: str, detail: str, *, certain: bool) -> None:
        super().__init__(subject, detail)
        self.certain = certain


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrived:
    """A PUBLISH as it came."""

    topic: str
    payload: bytes
    mid: int
    qos: int
    retained: bool


class Connection:
    """A client for one connection; a new one is made for the next.

    Parameters
    ----------
    settings
        Of the broker.
    client_id, status_topic
        As they really are; an empty topic publishes no status.
    protocol
        `v5` or `v3.1.1`.
    on_message
        Called in the thread that calls `serve_once`; what it raises comes out there.
    clock
        For deadlines.
    """

    def __init__(
        self,
        settings: MqttSettings,
        *,
        client_id: str,
        status_topic: str,
        protocol: str,
        on_message: Callable[[Arrived], None],
        clock: Clock,
    ) -> None:
        self._settings = settings
        self._status_topic = status_topic
        self._protocol = protocol
        self._on_message = on_message
        self._clock = clock
        self.place = f"{settings.host}:{settings.actual_port()}"
        self.refused_topics: dict[str, str] = {}
        """Filters that the broker refused, with its reason; filled when it has answered."""
        self._asked: dict[int, tuple[str, ...]] = {}
        self._answer: ReasonCode | None = None
        self._session_present = False
        self._lost = ""
        self._packets = 0
        self._published: set[int] = set()
        self._client = self._make_client(client_id)

    def _make_client(self, client_id: str) -> paho.Client:
        five = self._protocol == "v5"
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            # 3.1.1 knows no expiry: a session that is to end with the connection is a clean one
            clean_session=None if five else self._settings.session_expiry_s == 0,
            protocol=_PROTOCOLS[self._protocol],
            reconnect_on_failure=False,  # else paho downgrades to 3.1 and reconnects on its own account
            manual_ack=True,
        )
        client.connect_timeout = self._settings.connect_timeout_s
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_message = self._message
        client.on_subscribe = self._subscribed
        client.on_publish = self._was_published
        if self._settings.username:
            client.username_pw_set(self._settings.username, self._password() or None)
        if self._settings.tls:
            client.tls_set_context(self._tls_context())
        if self._status_topic:
            client.will_set(self._status_topic, "offline", qos=1, retain=True)
        return client

    def _password(self) -> str:
        file = self._settings.password_file
        if file is None:
            return self._settings.password
        try:
            return file.read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, ValueError) as error:
            raise SourceError(
                str(file), f"the password can't be read: {error}", "check password_file"
            ) from None

    def _tls_context(self) -> ssl.SSLContext:
        settings = self._settings
        try:
            context = ssl.create_default_context(cafile=settings.ca_file)
            if settings.certificate_file is not None:
                context.load_cert_chain(settings.certificate_file, settings.key_file)
        except (OSError, ValueError) as error:
            hint = "check ca_file, certificate_file and key_file"
            raise SourceError(self.place, f"the TLS files can't be used: {error}", hint) from error
        return context

    # callbacks of paho, all in the thread that reads: they only take note

    def _connected(
        self,
        client: paho.Client,
        userdata: object,
        flags: paho.ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        self._answer = reason
        self._session_present = flags.session_present

    def _disconnected(
        self,
        client: paho.Client,
        userdata: object,
        flags: paho.DisconnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if flags.is_disconnect_packet_from_server:
            self._lost = reason.getName()

    def _message(self, client: paho.Client, userdata: object, message: paho.MQTTMessage) -> None:
        self._packets += 1
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = ""  # MQTT forbids it; no channel has it, so it is acknowledged and refused
        self._on_message(
            Arrived(
                topic=topic,
                payload=bytes(message.payload),
                mid=message.mid,
                qos=message.qos,
                retained=bool(message.retain),
            )
        )

    def _subscribed(
        self,
        client: paho.Client,
        userdata: object,
        mid: int,
        reasons: list[ReasonCode],
        properties: Properties | None,
    ) -> None:
        for topic, reason in zip(self._asked.pop(mid, ()), reasons, strict=False):
            if reason.is_failure:
                self.refused_topics[topic] = reason.getName()

    def _was_published(
        self, client: paho.Client, userdata: object, mid: int, reason: ReasonCode, properties: Properties
    ) -> None:
        self._published.add(mid)

    # what the owner calls

    def open(self, wake: socket.socket, stopping: Callable[[], bool]) -> bool:
        """Connect and wait for the broker's answer; return whether it had kept our session.

        Raises
        ------
        ProtocolRefusedError
            If it does not speak this version of MQTT, or hung up without a word.
        SourceError
            If it is out of reach, can't be trusted or refuses us.
        """
        settings = self._settings
        try:
            if self._protocol == "v5":
                properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
                properties.SessionExpiryInterval = settings.session_expiry_s
                properties.ReceiveMaximum = settings.receive_maximum
                properties.MaximumPacketSize = LARGEST_PACKET
                self._client.connect(
                    settings.host,
                    settings.actual_port(),
                    settings.keep_alive_s,
                    clean_start=False,
                    properties=properties,
                )
            else:
                self._client.connect(settings.host, settings.actual_port(), settings.keep_alive_s)
        except ssl.SSLCertVerificationError as error:
            hint = "check host, ca_file and this machine's clock"
            detail = f"the broker's certificate is not trusted: {error.verify_message}"
            raise SourceError(self.place, detail, hint) from error
        except (OSError, ValueError) as error:
            raise SourceError(self.place, f"no connection: {error}", "check host, port and tls") from error
        deadline_s = self._clock.monotonic_s() + ANSWER_S
        while self._answer is None and not stopping():
            try:
                self.serve_once(wake, read=True, timeout_s=0.2)
            except SourceError as error:
                if self._answer is None:
                    raise ProtocolRefusedError(self.place, error.detail, certain=False) from error
                break
            if self._clock.monotonic_s() > deadline_s:
                raise SourceError(self.place, f"the broker did not answer within {ANSWER_S:.0f} s")
        if self._answer is not None and self._answer.is_failure:
            reason = self._answer.getName()
            if reason == _UNSUPPORTED:
                detail = f"the broker does not speak MQTT {self._protocol.removeprefix('v')}"
                raise ProtocolRefusedError(self.place, detail, certain=True)
            raise SourceError(self.place, f"the broker refuses us: {reason}", _HINTS.get(reason, ""))
        return self._session_present

    def subscribe(self, filters: tuple[str, ...]) -> None:
        """Ask for the topics at QoS 1; answers come later, see `refused_topics`."""
        for topic_filter in filters:
            if self._protocol == "v5":
                # 1: retained messages only when the subscription is new, not at every reconnect
                options = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
                _, mid = self._client.subscribe(topic_filter, options=options)
            else:
                _, mid = self._client.subscribe(topic_filter, qos=1)
            if mid is not None:
                self._asked[mid] = (topic_filter,)

    def answered(self) -> bool:
        """Tell whether the broker has answered every subscription."""
        return not self._asked

    def unsubscribe(self, topic: str) -> None:
        """Give up a subscription of an earlier configuration that the session still holds."""
        with contextlib.suppress(ValueError):
            self._client.unsubscribe(topic)

    def acknowledge(self, mids: list[int]) -> None:
        """Send PUBACKs in this order."""
        for mid in mids:
            self._client.ack(mid, 1)

    def publish_status(self, status: str) -> int:
        """Publish `online` or `offline`, retained; return its packet identifier."""
        if not self._status_topic:
            return 0
        return self._client.publish(self._status_topic, status, qos=1, retain=True).mid

    def serve_once(self, wake: socket.socket, *, read: bool, timeout_s: float) -> None:
        """Wait for the network or for `wake`, then read, write and keep alive.

        Raises
        ------
        SourceError
            If the connection is lost.
        """
        sock = self._client.socket()
        if sock is None:
            raise self._why_lost()
        # bytes that TLS has decrypted already do not wake select
        waiting = read and isinstance(sock, ssl.SSLSocket) and sock.pending() > 0
        readers = [wake, sock] if read else [wake]
        writers = [sock] if self._client.want_write() else []
        readable, writable, _ = select.select(readers, writers, [], 0.0 if waiting else timeout_s)
        if wake in readable:
            with contextlib.suppress(BlockingIOError):
                wake.recv(4096)
        if waiting or sock in readable:
            self._read()
            if isinstance(sock, socket.socket):
                _confirm_at_once(sock)
        if sock in writable:
            self._check(self._client.loop_write())
        self._check(self._client.loop_misc())

    def _read(self) -> None:
        for _ in range(READ_BURST):
            before = self._packets
            self._check(self._client.loop_read())
            if self._packets == before:  # paho doesn't tell whether it read a packet or found nothing
                return

    def _check(self, code: MQTTErrorCode) -> None:
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS or self._client.socket() is None:
            raise self._why_lost(code)

    def _why_lost(self, code: MQTTErrorCode = MQTTErrorCode.MQTT_ERR_CONN_LOST) -> SourceError:
        if self._lost:
            return SourceError(self.place, f"the broker hung up: {self._lost}", _HINTS.get(self._lost, ""))
        # not every broker says so when it throws out the older of two clients of one name
        hint = "if it happens again and again, another program may use the same client_id"
        why = paho.error_string(code).rstrip(".").lower()
        return SourceError(self.place, f"the connection is lost ({why})", hint)

    def close(self, wake: socket.socket) -> None:
        """Say `offline` ourselves and leave; the session stays. Takes a second at most."""
        with contextlib.suppress(SourceError, OSError, ValueError):
            mid = self.publish_status("offline")
            deadline_s = self._clock.monotonic_s() + 1.0
            while mid and mid not in self._published and self._clock.monotonic_s() < deadline_s:
                self.serve_once(wake, read=True, timeout_s=0.05)
            self._client.disconnect()
            while self._client.want_write() and self._clock.monotonic_s() < deadline_s:
                self._client.loop_write()
        self.drop()

    def drop(self) -> None:
        """Cut the connection as it is; the broker publishes the will."""
        sock = self._client.socket()
        if sock is not None:
            with contextlib.suppress(OSError):
                sock.close()


def _confirm_at_once(sock: socket.socket) -> None:
    """Have the kernel confirm at once what has come.

    Left alone it waits up to 40 ms for something to send along, and a broker that collects small packets (Nagle's
    algorithm, RFC 896; the usual setting) sends the next message only then. The kernel forgets it again, so it is said
    after each reading. What is not Linux lacks the option, and goes without.
    """
    option = getattr(socket, "TCP_QUICKACK", None)
    if option is not None:
        with contextlib.suppress(OSError):
            sock.setsockopt(socket.IPPROTO_TCP, option, 1)
