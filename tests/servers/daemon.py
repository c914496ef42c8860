"""The daemon as a process of its own, as a service manager would run it, for tests and benchmarks.

daemon = DaemonProcess(tmp_path, config)    # writes config.yaml
daemon.start()                              # returns when it has said READY=1
daemon.kill(); daemon.start()
daemon.stop()                               # SIGTERM, returns the exit code
"""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml


def wait_until(holds: Callable[[], bool], what: str, timeout_s: float = 60.0) -> None:
    """Wait for a condition, looking less often the longer it takes: many a look opens a database.

    Raises
    ------
    AssertionError
        If it does not come to hold in time; says `what` was waited for.
    """
    began_s = time.monotonic()
    while not holds():
        waited_s = time.monotonic() - began_s
        if waited_s > timeout_s:
            raise AssertionError(f"{what} did not come to pass within {timeout_s:g} s")
        time.sleep(min(0.1, 0.01 + waited_s / 20))


@dataclass(kw_only=True)
class DaemonProcess:
    """`ullage run` with a service manager's socket that the test reads."""

    directory: Path
    config: Mapping[str, Any]
    environ: Mapping[str, str] = field(default_factory=dict)
    module: str = "ullage.daemon.cli"
    """What is run."""
    before: Sequence[str] = ()
    """Words before the command, such as a debugger's that keeps the process id."""
    process: "subprocess.Popen[bytes] | None" = field(default=None, repr=False)
    words: list[str] = field(default_factory=list)
    """What it told the service manager."""
    _socket: socket.socket | None = field(default=None, repr=False)

    @property
    def config_path(self) -> Path:
        """Where the configuration stands."""
        return self.directory / "config.yaml"

    @property
    def log_path(self) -> Path:
        """Where its log goes."""
        return self.directory / "daemon.log"

    @property
    def log(self) -> str:
        """What it has logged since the first start."""
        return self.log_path.read_text() if self.log_path.exists() else ""

    @property
    def pid(self) -> int:
        """Its process id."""
        assert self.process is not None
        return self.process.pid

    def launch(self) -> None:
        """Start the process and return at once."""
        self.directory.mkdir(parents=True, exist_ok=True)
        self.config_path.write_text(yaml.safe_dump(dict(self.config)))
        self.config_path.chmod(0o600)
        manager = self.directory / "notify"
        manager.unlink(missing_ok=True)
        if self._socket is not None:
            self._socket.close()
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(manager))
        self._socket.setblocking(False)
        self.words = []
        env = {**os.environ, "NOTIFY_SOCKET": str(manager), "OPENBLAS_NUM_THREADS": "1", **self.environ}
        env.pop("ULLAGE_CONFIG", None)
        command = [*self.before, sys.executable, "-m", self.module, "run", "--config", str(self.config_path)]
        with self.log_path.open("ab") as output:
            self.process = subprocess.Popen(
                command, stdout=output, stderr=output, env=env, cwd=self.directory
            )

    def start(self, timeout_s: float = 60.0) -> None:
        """Start it and wait until it says that it is ready."""
        self.launch()
        self.wait_ready(timeout_s)

    def wait_ready(self, timeout_s: float = 60.0) -> None:
        """Wait for READY=1.

        Raises
        ------
        RuntimeError
            If it ended instead; quotes its log.
        """

        def ready() -> bool:
            if self.process is None or self.process.poll() is not None:
                raise RuntimeError(f"the daemon ended: {self.log[-3000:]}")
            return any("READY=1" in words for words in self.told())

        wait_until(ready, "READY=1", timeout_s)

    def told(self) -> list[str]:
        """Return all that it has told the service manager since its start."""
        assert self._socket is not None
        while True:
            try:
                self.words.append(self._socket.recv(4096).decode())
            except BlockingIOError:
                return self.words

    def signal(self, number: signal.Signals) -> None:
        """Send it a signal."""
        assert self.process is not None
        self.process.send_signal(number)

    def stop(self, timeout_s: float = 60.0) -> int:
        """Stop it as a service manager does and return its exit code."""
        if self.process is None:
            return 0
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(timeout_s)
        self.process = None
        if self._socket is not None:
            self._socket.close()
            self._socket = None
        return code

    def kill(self) -> None:
        """End it as a power cut would."""
        if self.process is not None:
            self.process.kill()
            self.process.wait(30)
            self.process = None

    def close(self) -> None:
        """End it if it still runs, and hear no more of it."""
        self.kill()
        if self._socket is not None:
            self._socket.close()
            self._socket = None
