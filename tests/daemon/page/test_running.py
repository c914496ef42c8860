"""The page of the running daemon: only where one is asked for, with its token, and never in the watch's way."""

import gc
import json
import socket
import subprocess
import sys
import urllib.error
import urllib.request
import warnings
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.daemon.page.kit import TOKEN, Kit
from tests.daemon.program import COMMAND, environment
from tests.servers.daemon import DaemonProcess, wait_until
from tests.servers.ports import free_port

VESSEL = {
    "name": "north",
    "total_volume_l": 23,
    "beer_volume_l": 19,
    "rated_pressure_bar": 2.5,
    "pressure": {"source": "probe", "unit": "bar"},
}
# a port that nothing answers at: the source keeps trying, which is no affair of the page
SOURCES = {"probe": {"kind": "serial", "url": "socket://127.0.0.1:9"}}


def config(**more: Any) -> Mapping[str, Any]:
    """Return a small configuration."""
    return {"vessels": [VESSEL], "sources": SOURCES, "store": {"url": "sqlite:///u.db"}, **more}


@pytest.fixture(name="folder")
def _folder(tmp_path: Path) -> Path:
    token = tmp_path / "page-token"
    token.write_text(TOKEN)
    token.chmod(0o600)
    return tmp_path


def loaded(daemon: DaemonProcess) -> set[str]:
    """Return the shared objects and files that tell which packages a process has loaded."""
    return set(Path(f"/proc/{daemon.pid}/maps").read_text().split())


def threads(daemon: DaemonProcess) -> set[str]:
    """Return the names of a process's threads as the kernel has them."""
    return {(task / "comm").read_text().strip() for task in Path(f"/proc/{daemon.pid}/task").iterdir()}


def test_served_with_its_token(folder: Path) -> None:
    """Asked for, it is there after the start; without the token it says nothing, and a stop ends it soon."""
    port = free_port()
    daemon = DaemonProcess(directory=folder, config=config(page={"port": port, "token_file": "page-token"}))
    daemon.start()
    address = f"http://127.0.0.1:{port}/api/v1/vessels"
    try:
        wait_until(lambda: "page address=" in daemon.log, "the page")
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.urlopen(address, timeout=30)
        assert refused.value.code == 401
        refused.value.close()
        request = urllib.request.Request(address, headers={"Authorization": f"Bearer {TOKEN}"})
        with urllib.request.urlopen(request, timeout=30) as answer:
            assert json.load(answer)["vessels"][0]["vessel"] == "north"
        assert TOKEN not in daemon.log
    finally:
        assert daemon.stop() == 0


def test_what_is_entered_reaches_the_detectors(folder: Path) -> None:
    """An entry made on the page is in the running detectors' hands within a few seconds."""
    port = free_port()
    daemon = DaemonProcess(directory=folder, config=config(page={"port": port}))
    daemon.start()
    try:
        wait_until(lambda: "page address=" in daemon.log, "the page")
        request = urllib.request.Request(
            f"http://127.0.0.1:{port}/api/v1/vessels/north/journal",
            data=b'{"text": "valve shut"}',
            headers={"Content-Type": "application/json"},
        )
        with urllib.request.urlopen(request, timeout=30) as answer:
            assert json.load(answer)["entry"] == 1
        wait_until(
            lambda: 'journal entry vessel=north entry="valve shut"' in daemon.log, "the detectors to hear"
        )
    finally:
        daemon.stop()


def test_a_taken_port_leaves_the_watch_alone(folder: Path) -> None:
    """Without its port there is no page, a line in the log, and a daemon that watches."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        daemon = DaemonProcess(directory=folder, config=config(page={"port": port}))
        daemon.start()
        try:
            wait_until(lambda: "no page" in daemon.log, "word of it")
            wait_until(lambda: "started" in daemon.log, "the watch")
        finally:
            assert daemon.stop() == 0


@pytest.mark.parametrize(
    ("page", "said"),
    [
        ({"host": "0.0.0.0"}, "page.token_file is needed"),
        ({"host": "0.0.0.0", "token_file": "nowhere"}, "can't be read"),
        ({"host": "0.0.0.0", "token_file": "short"}, "at least 22"),
    ],
)
def test_not_open_without_a_token(folder: Path, page: dict[str, str], said: str) -> None:
    """Open to others without a good token it does not start at all: exit code 2 and what to do."""
    (folder / "short").write_text("short")
    path = folder / "config.yaml"
    path.write_text(yaml.safe_dump(dict(config(page=page))))
    done = subprocess.run(
        [*COMMAND, "run", "--config", str(path)],
        env=environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, said in done.stderr) == (2, True), done.stderr


def test_nothing_of_a_web_server_without_a_page() -> None:
    """Neither the daemon's modules nor its commands load one by themselves: memory counts on a small computer."""
    code = (
        "import sys, ullage.daemon.building, ullage.daemon.commands.run, ullage.daemon.commands.replay, "
        "ullage.daemon.commands.status, ullage.daemon.commands.demo; "
        "print(sorted({'starlette', 'uvicorn', 'anyio', 'h11', 'resvg_py'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout.strip() == "[]"


def test_no_page_no_thread(folder: Path) -> None:
    """A configuration without `page:` opens no port."""
    daemon = DaemonProcess(directory=folder, config=config())
    daemon.start()
    try:
        wait_until(lambda: "started" in daemon.log, "the start")
        assert "page" not in threads(daemon)
        assert not [name for name in loaded(daemon) if "uvicorn" in name]
        listening = Path(f"/proc/{daemon.pid}/net/tcp").read_text()
        sockets = {
            link.readlink().name for link in Path(f"/proc/{daemon.pid}/fd").iterdir() if link.is_symlink()
        }
        own = [
            line
            for line in listening.splitlines()[1:]
            if line.split()[3] == "0A" and f"socket:[{line.split()[9]}]" in sockets
        ]
        assert own == []
    finally:
        daemon.stop()


def unsent_bytes(kit: Kit) -> int:
    """Return how much waits in the server for readers who take nothing of it."""
    serving = kit.server._server
    if serving is None:  # its thread has only just begun
        return 0
    return sum(one.transport.get_write_buffer_size() for one in tuple(serving.server_state.connections))


def test_a_reader_who_takes_nothing_is_let_go(tmp_path: Path) -> None:
    """A stop does not wait for who asked for much and reads nothing of it, and leaves no connection behind."""
    with warnings.catch_warnings(record=True) as left, socket.socket() as reader:
        warnings.simplefilter("always")
        kit = Kit(tmp_path).start()
        reader.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1024)
        reader.connect(("127.0.0.1", kit.port))
        reader.sendall(f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{kit.port}\r\n\r\n".encode() * 400)
        wait_until(lambda: unsent_bytes(kit) > 0, "an answer that nobody takes")
        kit.close()
        gc.collect()
    assert not [
        str(one.message) for one in left if one.category is ResourceWarning and "unclosed" in str(one.message)
    ]
