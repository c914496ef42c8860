"""The serial source on pseudo-terminals that are plugged, unplugged, flooded and asked."""

import os
import select
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.adapters.received import Received, SystemClock, wait_until
from ullage.adapters.channel import Channel
from ullage.adapters.errors import ConfigError
from ullage.adapters.reading import Quantity, Reason
from ullage.adapters.serial_line import SerialSource
from ullage.adapters.serial_settings import SerialSettings

BEER = Channel(vessel="north", quantity=Quantity.TEMPERATURE, unit="Cel")


class Probe:
    """The other end of the cable: a pseudo-terminal under a name that stays, as below /dev/serial/by-id."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self._master = -1
        self._slave = -1
        self.plug()

    def plug(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._master)
        fresh = self.link.with_suffix(".new")
        fresh.symlink_to(os.ttyname(self._slave))
        fresh.replace(self.link)

    def unplug(self) -> None:
        if self._master >= 0:
            os.close(self._master)
            os.close(self._slave)
            self._master = -1

    def send(self, content: bytes) -> None:
        while content:
            content = content[os.write(self._master, content) :]

    def hear(self, timeout_s: float = 5.0) -> bytes:
        """Return what was sent to the probe, empty after the time-out."""
        ready, _, _ = select.select([self._master], [], [], timeout_s)
        return os.read(self._master, 1000) if ready else b""


@pytest.fixture(name="probe")
def _probe(tmp_path: Path) -> Iterator[Probe]:
    probe = Probe(tmp_path / "usb-probe-0001")
    yield probe
    probe.unplug()


Start = Callable[..., tuple[SerialSource, Received]]


@pytest.fixture(name="start")
def _start() -> Iterator[Start]:
    running: list[tuple[SerialSource, Received]] = []

    def start(url: str | Path, *channels: Channel, **keys: Any) -> tuple[SerialSource, Received]:
        settings = SerialSettings(**{"url": str(url), "first_pause_s": 0.02, "longest_pause_s": 0.1, **keys})
        source, received = SerialSource("bench", settings, channels or (BEER,), SystemClock()), Received()
        running.append((source, received))
        source.start(received.take)
        return source, received

    yield start
    for source, received in running:
        received.gate.set()
        source.stop()
        assert not source.alive()


def open_(source: SerialSource) -> None:
    wait_until(lambda: source.health().connected, f"open: {source.health().detail}")


def test_lines_become_readings(probe: Probe, start: Start) -> None:
    """The first line after opening may be half and is passed over; then each is a reading."""
    source, received = start(probe.link)
    open_(source)
    before_s = time.time()
    probe.send(b"8.4\n18.4\r\n18.5\n18.")
    received.wait_for_readings(2)
    probe.send(b"6\n")
    received.wait_for_readings(3)
    assert received.values == [18.4, 18.5, 18.6]
    assert all(before_s - 0.001 <= reading.time_s <= time.time() + 0.01 for reading in received.readings)
    assert received.refusals == []


@pytest.mark.parametrize(
    ("line", "fields"),
    [
        (b"beer=18.4 top=1211\n", ({"key": "beer"}, {"key": "top"})),
        (b"7;18.4;1211\n", ({"column": 2}, {"column": 3})),
        (b'{"t": [18.4, 1211]}\n', ({"pointer": "/t/0"}, {"pointer": "/t/1"})),
        (
            b'[{"n":"t","u":"Cel","v":18.4},{"n":"p","u":"hPa","v":1211}]\n',
            ({"senml_name": "t"}, {"senml_name": "p"}),
        ),
    ],
)
def test_every_format_of_line(
    probe: Probe, start: Start, line: bytes, fields: tuple[dict[str, Any], ...]
) -> None:
    """Pairs, columns, JSON and SenML feed two channels from one line."""
    beer = Channel(vessel="north", quantity=Quantity.TEMPERATURE, unit="Cel", **fields[0])
    top = Channel(vessel="north", quantity=Quantity.PRESSURE, unit="mbar", **fields[1])
    source, received = start(probe.link, beer, top)
    open_(source)
    probe.send(b"\n" + line)
    received.wait_for_readings(2)
    assert received.values == [18.4, 1.211]


def test_garbage_is_refused_and_reading_goes_on(probe: Probe, start: Start) -> None:
    """Bytes of a wrong speed, half lines and endless ones cost themselves only."""
    source, received = start(probe.link)
    open_(source)
    probe.send(b"\n18.4\n\xfe\x80\x13\xff\n18.\xb5\n" + b"x" * 3000 + b"\n18,5\n18.6\n")
    received.wait_for_readings(2)
    assert received.values == [18.4, 18.6]
    assert [refusal.reason for refusal in received.refusals] == [
        Reason.UNDECODABLE, Reason.UNDECODABLE, Reason.TOO_LONG, Reason.NOT_A_NUMBER,
    ]  # fmt: skip
    assert all(refusal.where == str(probe.link) for refusal in received.refusals)
    assert max(len(refusal.raw) for refusal in received.refusals) < 400


def test_a_flood_is_kept_up_with(probe: Probe, start: Start) -> None:
    """5,000 lines in one go arrive, each once and in order."""
    source, received = start(probe.link)
    open_(source)
    probe.send(b"\n")
    probe.send(b"".join(b"%d.5\n" % number for number in range(5000)))
    received.wait_for_readings(5000)
    assert received.values == [number + 0.5 for number in range(5000)]
    assert len({round(reading.time_s * 1000) for reading in received.readings}) == 5000


def test_unplugged_and_plugged_in_again(probe: Probe, start: Start) -> None:
    """Gone, it says so; back under the same name, possibly as another device, it goes on by itself."""
    source, received = start(probe.link)
    open_(source)
    for number in range(3):
        probe.send(b"\n18.%d\n" % number)
        received.wait_for_readings(number + 1)
        probe.unplug()
        wait_until(lambda: not source.health().detail.startswith("reading"), "gone")
        detail = source.health().detail
        assert str(probe.link) in detail
        assert "check plug and cable" in detail or "plug it in" in detail
        probe.plug()
        open_(source)
    assert received.values == [18.0, 18.1, 18.2]
    assert source.health().restarts >= 3


def test_a_port_that_is_not_there_yet(tmp_path: Path, start: Start) -> None:
    """The daemon may start before the probe is plugged in."""
    source, received = start(tmp_path / "usb-late")
    wait_until(lambda: "plug it in" in source.health().detail, "it says so")
    probe = Probe(tmp_path / "usb-late")
    open_(source)
    probe.send(b"\n18.4\n")
    received.wait_for_readings(1)
    source.stop()
    probe.unplug()


def test_a_port_that_another_has_open_is_refused(probe: Probe, start: Start) -> None:
    """Two readers would get half the bytes each."""
    first, _ = start(probe.link)
    open_(first)
    second, _ = start(probe.link)
    wait_until(lambda: "another program has it open" in second.health().detail, second.health().detail)
    first.stop()
    open_(second)


def answer(probe: Probe, replies: dict[bytes, bytes], heard: list[bytes], stop: threading.Event) -> None:
    while not stop.is_set():
        question = probe.hear(0.05)
        if question:
            heard.append(question)
            probe.send(replies.get(question, b"?\n"))


def test_a_probe_that_answers_only_when_asked(probe: Probe, start: Start) -> None:
    """The command goes out at its interval and the very first answer counts."""
    heard: list[bytes] = []
    stop = threading.Event()
    thread = threading.Thread(target=answer, args=(probe, {b"R\r\n": b"+18.4\r\n"}, heard, stop))
    thread.start()
    source, received = start(probe.link, poll_command="R\r\n", poll_interval_s=0.1)
    began_s = time.monotonic()
    received.wait_for_readings(10)
    elapsed_s = time.monotonic() - began_s
    assert received.values[:10] == [18.4] * 10
    assert received.refusals == []
    assert len(heard) <= elapsed_s / 0.1 + 2
    stop.set()
    thread.join()
    wait_until(lambda: "does not answer the poll command" in source.health().detail, "silence is told")
    stop.clear()
    thread = threading.Thread(target=answer, args=(probe, {b"R\r\n": b"+18.4\r\n"}, heard, stop))
    thread.start()
    wait_until(lambda: "not answer" not in source.health().detail, "and its end")
    stop.set()
    thread.join()


def test_checksums(probe: Probe, start: Start) -> None:
    """A right one is taken, a wrong one refused, and a missing one too once there was a right one."""
    source, received = start(probe.link)
    open_(source)
    probe.send(b"\n18.3\n18.4*%02X\n18.5*00\n18.6\n18.7*%02X\n" % (0x13, 0x10))
    received.wait_for_readings(3)
    received.wait_for_refusals(2)
    assert received.values == [18.3, 18.4, 18.7]
    assert [refusal.reason for refusal in received.refusals] == [Reason.UNDECODABLE] * 2


def test_what_waited_behind_a_blocked_pipeline_is_not_sold_as_fresh(probe: Probe, start: Start) -> None:
    """After a hand-over that took longer than two seconds the port is emptied, and that is said."""
    source, received = start(probe.link)
    open_(source)
    received.gate.clear()
    probe.send(b"\n18.4\n")
    began_s = time.monotonic()
    wait_until(lambda: time.monotonic() - began_s > 1.0, "a second passes")
    probe.send(b"1.0\n2.0\n3.")
    wait_until(lambda: time.monotonic() - began_s > 2.5, "two and a half pass")
    received.gate.set()
    received.wait_for_refusals(1)
    assert received.refusals[0].reason is Reason.QUEUE_FULL
    probe.send(b"0\n18.5\n")
    received.wait_for_readings(2)
    assert received.values == [18.4, 18.5]


def test_urls_of_the_serial_library(start: Start) -> None:
    """A loop-back port answers with what it is asked; an unknown scheme is told."""
    _, received = start("loop://", poll_command="18.4\n", poll_interval_s=0.05)
    received.wait_for_readings(3)
    assert set(received.values) == {18.4}
    source, _ = start("teapot://")
    wait_until(lambda: "can't be opened" in source.health().detail, source.health().detail)


def test_a_port_that_is_not_there_is_told_in_few_words(start: Start, tmp_path: Path) -> None:
    """The path stands once, and the reason once."""
    path = str(tmp_path / "unplugged")
    source, _ = start(path)
    told = f"{path}: the port can't be opened: No such file or directory; plug it in, or take a name from /dev/serial/by-id"
    wait_until(lambda: source.health().detail == told, source.health().detail)


def test_a_port_over_the_network(start: Start) -> None:
    """socket:// reads from a terminal server, notices its end and connects again."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        source, received = start(f"socket://127.0.0.1:{server.getsockname()[1]}")
        for number in range(2):
            client, _ = server.accept()
            with client:
                open_(source)  # on opening, the library throws away what has come before
                client.sendall(b"\n18.%d\n" % number)
                received.wait_for_readings(number + 1)
        assert received.values == [18.0, 18.1]
        source.stop()


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({"url": ""}, "url must not be empty"),
        ({"baud": 0}, "baud 0 must be above 0"),
        ({"line_end": "\r\n"}, "one ASCII character"),
        ({"line_limit_bytes": 4}, "between 8 and 16384"),
        ({"poll_interval_s": 0.0}, "between 0.05 and 3600"),
        ({"poll_command": "°"}, "must be ASCII"),
        ({"first_pause_s": 9.0, "longest_pause_s": 1.0}, "longest_pause_s"),
    ],
)
def test_settings_that_can_not_be_right(keys: dict[str, Any], says: str) -> None:
    """Each mistake is named with its value and limit."""
    with pytest.raises(ValueError, match=says):
        SerialSettings(**{"url": "loop://", **keys})


def test_a_wrong_channel_is_refused_at_the_start() -> None:
    """Units and pointers are checked before the port is opened."""
    wrong = Channel(vessel="north", quantity=Quantity.PRESSURE, unit="psi")
    with pytest.raises(ConfigError, match="did you mean"):
        SerialSource("bench", SerialSettings(url="loop://"), (wrong,), SystemClock())
