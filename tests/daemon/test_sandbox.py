"""The unit's sandbox for real: everything works inside it, and what a broken-in stranger would try does not."""

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml

from tests.daemon.sandbox import read_keys
from tests.servers.broker import Broker
from tests.servers.daemon import wait_until
from tests.servers.http_receiver import HttpReceiver
from tests.servers.ports import free_port

UNIT = Path(__file__).parents[2] / "systemd" / "ullage.service"
TOKEN = "m4Kd8-xRzV6wYcM3nZs7Tq9Ue2"


@pytest.fixture(name="sandboxed")
def _sandboxed(tmp_path: Path) -> list[str]:
    """The beginning of a command that runs in the sandbox, with a state folder and a folder of credentials."""
    if os.geteuid() != 0 or shutil.which("systemd-analyze") is None:
        pytest.skip("needs root, and systemd-analyze for the sets of system calls")
    for name in ("state", "credentials"):
        (tmp_path / name).mkdir()
    inside = [sys.executable, "-m", "tests.daemon.sandbox", str(UNIT)]
    return [
        "unshare",
        "--mount",
        "--pid",
        "--ipc",
        "--fork",
        *inside,
        *(str(tmp_path / n) for n in ("state", "credentials")),
    ]


PROBE = """
import ctypes, json, mmap, os, socket
from pathlib import Path

libc = ctypes.CDLL(None, use_errno=True)
tried = {}

def attempt(name, act):
    try:
        act()
        tried[name] = "done"
    except (OSError, ValueError) as error:
        tried[name] = type(error).__name__

def call(function, *arguments):
    if getattr(libc, function)(*arguments) == -1:
        raise OSError(ctypes.get_errno(), function)

def suid():
    Path("mine").write_text("x")
    os.chmod("mine", 0o4755)

attempt("write /etc", lambda: Path("/etc/x").write_text("x"))
attempt("write /usr", lambda: Path("/usr/x").write_text("x"))
attempt("write the program", lambda: Path(json.__file__).write_text("x"))
attempt("write the kernel's settings", lambda: Path("/proc/sys/kernel/hostname").write_text("x"))
attempt("read a root file", lambda: Path("/etc/shadow").read_bytes())
attempt("read the homes", lambda: [] if os.listdir("/home") else os.stat("/home/nobody"))
attempt("open a disk", lambda: os.open("/dev/vda", os.O_RDONLY))
attempt("open memory", lambda: os.open("/dev/mem", os.O_RDONLY))
attempt("see other processes", lambda: os.stat("/proc/%d" % PARENT))
attempt("raw socket", lambda: socket.socket(socket.AF_INET, socket.SOCK_RAW, 1))
attempt("packet socket", lambda: socket.socket(socket.AF_PACKET, socket.SOCK_RAW))
attempt("netlink socket", lambda: socket.socket(socket.AF_NETLINK, socket.SOCK_RAW))
attempt("memory to write and run", lambda: mmap.mmap(-1, 4096, prot=mmap.PROT_WRITE | mmap.PROT_EXEC))
attempt("a user namespace", lambda: call("unshare", 0x10000000))
attempt("mount", lambda: call("mount", b"tmpfs", b"/tmp", b"tmpfs", 0, b""))
attempt("ptrace", lambda: call("ptrace", 0, 0, 0, 0))
attempt("a module", lambda: call("init_module", 0, 0, b""))
attempt("reboot", lambda: call("reboot", 0))
attempt("the clock", lambda: call("settimeofday", (ctypes.c_long * 2)(1, 0), None))
attempt("become root", lambda: os.setuid(0))
attempt("a program that makes root", suid)
attempt("a real-time schedule", lambda: os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1)))
attempt("keep state", lambda: Path("kept").write_text("x"))
attempt("use /tmp", lambda: Path("/tmp/x").write_text("x"))
attempt("speak on the network", lambda: socket.create_connection(("127.0.0.1", PORT), 5).close())
print(json.dumps(tried))
"""


def test_a_stranger_inside_reaches_nothing(sandboxed: list[str]) -> None:
    """Whoever took the program over writes to its state folder, /tmp of its own and the network, and that is all."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        program = f"PORT, PARENT = {server.getsockname()[1]}, {os.getpid()}\n{PROBE}"
        done = subprocess.run(
            [*sandboxed, "--", sys.executable, "-c", program],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
    assert done.returncode == 0, done.stderr
    tried = json.loads(done.stdout)
    assert {name for name, result in tried.items() if result == "done"} == {
        "keep state",
        "use /tmp",
        "speak on the network",
    }


@pytest.fixture(name="serial")
def _serial() -> Iterator[tuple[int, str]]:
    """A terminal whose far end stands in for a serial probe."""
    ours, theirs = os.openpty()
    yield ours, os.ttyname(theirs)
    os.close(ours)
    os.close(theirs)


def configuration(port: int, broker: int) -> str:
    """Everything that the program does outside itself: broker, serial port, database, page, messages."""
    north = {"name": "north", "total_volume_l": 23, "beer_volume_l": 19, "rated_pressure_bar": 2.5}
    return yaml.safe_dump(
        {
            "vessels": [
                north
                | {
                    "pressure": {"source": "cellar", "topic": "cellar/north", "unit": "bar"},
                    "temperature": {"source": "probe", "key": "temp", "unit": "Cel"},
                }
            ],
            "sources": {
                "cellar": {"kind": "mqtt", "host": "127.0.0.1", "port": broker},
                "probe": {"kind": "serial", "url": "/dev/ttyUSB0"},
            },
            "store": {"url": "sqlite:///ullage.db", "commit_interval_s": 0.2},
            "notify": {"targets": [{"url_file": "/etc/ullage/push-url"}]},
            "page": {"port": port, "token_file": "/etc/ullage/page-token"},
        }
    )


def vessel(port: int) -> str:
    """Return what the page says about the vessel."""
    address = f"http://127.0.0.1:{port}/api/v1/vessels/north"
    request = urllib.request.Request(address, headers={"Authorization": f"Bearer {TOKEN}"})
    with urllib.request.urlopen(request, timeout=30) as answer:
        return str(answer.read().decode())


def test_everything_works_inside(sandboxed: list[str], serial: tuple[int, str], tmp_path: Path) -> None:
    """Readings by broker and serial port, database, page, secrets from credentials, a message, watchdog, an orderly end."""
    state, credentials = tmp_path / "state", tmp_path / "credentials"
    port = free_port()
    with (
        Broker.start(tmp_path / "broker") as broker,
        HttpReceiver() as receiver,
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager,
    ):
        (state / "config.yaml").write_text(configuration(port, broker.port))
        (credentials / "push-url").write_text(receiver.notify_url)
        (credentials / "page-token").write_text(TOKEN)
        manager.bind(str(state / "notify"))
        manager.settimeout(60)
        environment = os.environ | {
            "NOTIFY_SOCKET": "/mnt/state/notify",
            "CREDENTIALS_DIRECTORY": "/mnt/credentials",
            "STATE_DIRECTORY": "/mnt/state",
            "WATCHDOG_USEC": "2000000",
            **dict(line.split("=", 1) for line in read_keys(UNIT)["Environment"]),
            "ULLAGE_CONFIG": "/mnt/state/config.yaml",
        }
        program = [sys.executable, "-m", "ullage.daemon.cli", "run"]
        command = [*sandboxed, "--serial", serial[1], "--", *program]
        with (tmp_path / "log").open("wb") as log:
            process = subprocess.Popen(command, env=environment, stdout=log, stderr=log)
        try:
            heard = ""
            while "READY=1" not in heard:
                assert process.poll() is None, (tmp_path / "log").read_text()
                heard = manager.recv(4096).decode()
            while "WATCHDOG=1" not in heard:
                heard = manager.recv(4096).decode()
            for _ in range(3):
                os.write(serial[0], b"temp=18.4\n")
                broker.publish("cellar/north", "2.9")
            receiver.wait_for(1, 60)
            wait_until(lambda: "18.4" in vessel(port), "the reading of the serial port")
            (inside,) = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
            status = Path(f"/proc/{inside}/status").read_text()
            assert "CapEff:\t0000000000000000" in status
            assert "Seccomp:\t2" in status
            os.kill(int(inside), signal.SIGTERM)
            assert process.wait(60) == 0, (tmp_path / "log").read_text()
        finally:
            process.kill()
    assert (state / "ullage.db").stat().st_mode & 0o777 == 0o600
    log_text = (tmp_path / "log").read_text()
    assert "PermissionError" not in log_text
    assert "not permitted" not in log_text.lower()
