"""A real MQTT broker for tests: Mosquitto, or where that is missing and CI is not set, one that pip brings.

    broker = Broker.start(tmp_path)             # free port on 127.0.0.1, store kept over stop, kill and restart
    broker.publish("cellar/north", "18.4")      # QoS 1, waits for the broker's acknowledgement
    broker.kill(); broker.restart()             # same port, same store
    broker.stop()

Mosquitto keeps its store in the directory given; started as root it would drop to a user of its own that can't
read pytest's private directories, hence `user root` in its config.
"""

import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.servers.certificates import Certificates
from tests.servers.ports import free_port

SECRETS = {"brewer": "right-pass"}
"""A user name and password for tests that need one (invented)."""


def mosquitto_path() -> str | None:
    """Return where Mosquitto is, or None; ULLAGE_TEST_BROKER=iotcore hides it, to try the tests without."""
    if os.environ.get("ULLAGE_TEST_BROKER") == "iotcore":
        return None
    # /usr/sbin is not on every user's PATH
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def need_mosquitto() -> None:
    """Skip a test of what only Mosquitto does when it is missing; in CI that is a failure."""
    if mosquitto_path() is None:
        if os.environ.get("CI") == "true":
            pytest.fail("mosquitto is missing: apt-get install mosquitto")
        pytest.skip("needs mosquitto, which pip can't bring: apt-get install mosquitto")


@dataclass(kw_only=True)
class Broker:
    """A broker process on a port of 127.0.0.1."""

    directory: Path
    port: int
    engine: str
    """`mosquitto` or `iotcore`."""
    command: list[str]
    username: str = ""
    password: str = ""
    certificates: Certificates | None = None
    process: "subprocess.Popen[bytes] | None" = field(default=None, repr=False)

    @classmethod
    def start(
        cls,
        directory: Path,
        *,
        passwords: Mapping[str, str] | None = None,
        certificates: Certificates | None = None,
        extra: Sequence[str] = (),
        engine: str = "",
        port: int = 0,
    ) -> "Broker":
        """Start a broker and wait until it answers.

        Parameters
        ----------
        directory
            Where config, store and log go; made if missing.
        passwords
            User names and passwords; given, anonymous clients are refused (Mosquitto).
        certificates
            Given, the port speaks TLS with `server` of these (Mosquitto).
        extra
            Further lines of `mosquitto.conf`.
        engine
            `mosquitto` or `iotcore`; empty takes Mosquitto if it is there. With `CI=true` a missing Mosquitto fails.
        port
            0 takes a free one.
        """
        if not engine:
            engine = "mosquitto" if mosquitto_path() or os.environ.get("CI") == "true" else "iotcore"
        if engine == "mosquitto" or passwords or certificates or extra:
            need_mosquitto()
        directory.mkdir(parents=True, exist_ok=True)
        port = port or free_port()
        write = _mosquitto_command if engine == "mosquitto" else _iotcore_command
        user, password = next(iter((passwords or {}).items()), ("", ""))
        broker = cls(
            directory=directory,
            port=port,
            engine=engine,
            command=write(directory, port, passwords or {}, certificates, extra),
            username=user,
            password=password,
            certificates=certificates,
        )
        broker.restart()
        return broker

    def restart(self, timeout_s: float = 30.0) -> None:
        """Start it (again, after `stop` or `kill`) on the same port with the same store."""
        self.stop()
        with (self.directory / "broker.log").open("ab") as output:
            self.process = subprocess.Popen(self.command, stdout=output, stderr=output)
        deadline = time.monotonic() + timeout_s
        while time.monotonic() < deadline:
            if self.process.poll() is not None:
                break
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
                return
            except OSError:
                time.sleep(0.01)
        raise RuntimeError(f"broker did not start: {(self.directory / 'broker.log').read_text()[-2000:]}")

    def stop(self) -> None:
        """End it politely; Mosquitto writes its store first."""
        if self.process is not None:
            self.process.terminate()
            self.process.wait(timeout=30)
            self.process = None

    def kill(self) -> None:
        """End it as a power cut would."""
        if self.process is not None:
            self.process.kill()
            self.process.wait(timeout=30)
            self.process = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *unused: object) -> None:
        self.stop()

    def client(self, client_id: str = "", *, protocol: int = 4) -> paho.Client:
        """Return a connected client whose network loop runs; the caller ends it with `loop_stop`."""
        client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTProtocolVersion(protocol)
        )
        client.max_inflight_messages_set(1000)
        if self.username:
            client.username_pw_set(self.username, self.password)
        if self.certificates is not None:
            client.tls_set(ca_certs=str(self.certificates.authority))
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        return client

    def publish(self, topic: str, *payloads: str | bytes, retain: bool = False, qos: int = 1) -> None:
        """Publish and wait until the broker has taken the last (QoS 1)."""
        client = self.client()
        last = None
        for payload in payloads:
            last = client.publish(topic, payload, qos=qos, retain=retain)
        if last is not None:
            last.wait_for_publish(timeout=30)
        client.disconnect()
        client.loop_stop()


def _mosquitto_command(
    directory: Path,
    port: int,
    passwords: Mapping[str, str],
    certificates: Certificates | None,
    extra: Sequence[str],
) -> list[str]:
    store = directory / "store"
    store.mkdir(exist_ok=True)
    lines = [
        f"listener {port} 127.0.0.1",
        f"allow_anonymous {'false' if passwords else 'true'}",
        "persistence true",
        f"persistence_location {store}/",
        "autosave_interval 1",
        "max_queued_messages 100000",
        "log_type error",
        "log_type warning",
    ]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        lines.insert(0, "user root")
    if passwords:
        file = directory / "passwords"
        file.write_text("".join(f"{user}:{password}\n" for user, password in passwords.items()))
        tool = shutil.which("mosquitto_passwd") or "/usr/bin/mosquitto_passwd"
        subprocess.run([tool, "-U", str(file)], check=True)  # hashes the file in place
        lines.append(f"password_file {file}")
    if certificates is not None:
        lines += [f"certfile {certificates.server}", f"keyfile {certificates.server_key}"]
    config = directory / "mosquitto.conf"
    config.write_text("\n".join([*lines, *extra]) + "\n")
    return [mosquitto_path() or "mosquitto", "-c", str(config)]


def _iotcore_command(
    directory: Path,
    port: int,
    passwords: Mapping[str, str],
    certificates: Certificates | None,
    extra: Sequence[str],
) -> list[str]:
    # the native class keeps the broker in this very process, so that kill and stop hit it and not a parent
    script = (
        "import iotcore; "
        f"iotcore.IotCoreBroker(None, '127.0.0.1', {port}, max_payload_size=262144).run_forever()"
    )
    return [sys.executable, "-c", script]
