"""Messages to the service manager over real datagram sockets (protocol: sd_notify(3), sd_watchdog_enabled(3))."""

import os
import socket
from pathlib import Path

import pytest

from ullage.daemon.sd_notify import notify, watchdog_interval_s


@pytest.mark.parametrize("abstract", [False, True])
def test_message_arrives_as_one_datagram(tmp_path: Path, abstract: bool) -> None:
    """A path and an abstract address both get the exact text."""
    name = f"@ullage-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.settimeout(5)
        manager.bind(name.replace("@", "\0") if abstract else name)
        assert notify("READY=1\nSTATUS=watching 2 vessels", {"NOTIFY_SOCKET": name})
        assert manager.recv(4096) == b"READY=1\nSTATUS=watching 2 vessels"


@pytest.mark.parametrize("address", ["", "/nowhere/at/all", "relative", "@", "@nobody-listens-here"])
def test_no_manager_is_no_error(address: str) -> None:
    """Outside a service, or with nobody listening, the message is dropped and said to be."""
    assert not notify("WATCHDOG=1", {"NOTIFY_SOCKET": address})
    assert not notify("WATCHDOG=1", {})


def test_a_manager_that_reads_nothing_does_not_block(tmp_path: Path) -> None:
    """A full receive queue ends in False after a second, not in a hang."""
    name = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(name)
        environ = {"NOTIFY_SOCKET": name}
        assert any(not notify("STATUS=" + "x" * 4000, environ) for _ in range(1000))


@pytest.mark.parametrize(
    ("environ", "expected_s"),
    [
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "17"}, 15.0),
        ({"WATCHDOG_USEC": "30000000"}, 15.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "18"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({}, None),
    ],
)
def test_watchdog_interval(environ: dict[str, str], expected_s: float | None) -> None:
    """Half of the allowed time, and only if this process is the one that is watched."""
    assert watchdog_interval_s(environ, pid=17) == expected_s
