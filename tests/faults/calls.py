"""A disk that fails for the daemon alone: strace answers its system calls in the kernel's place.

Works where no file system may be mounted, in most containers too. Only SQLite writes by `pwrite64`; the log and the network
do not, and go on.
"""

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from tests.faults.fault import Missing

FULL = "pwrite64:error=ENOSPC"
DEAD = "pwrite64,fsync,fdatasync,ftruncate:error=EIO"
SLOW = "fsync,fdatasync:delay_enter=3000000"
"""Three seconds a flush."""


def strace() -> str:
    """Return where it is.

    Raises
    ------
    Missing
        If it is not installed or may not be used here.
    """
    found = shutil.which("strace")
    if found is None:
        raise Missing("needs strace")
    tried = subprocess.run(
        [found, "-qq", "-o", os.devnull, "true"], capture_output=True, text=True, timeout=30, check=False
    )
    if tried.returncode:
        raise Missing(f"strace may not be used: {' '.join(tried.stderr.split())[:100]}")
    return found


@contextmanager
def answered(pid: int, answer: str) -> Iterator[None]:
    """Answer a process's calls while the block runs."""
    calls = answer.split(":", maxsplit=1)[0]
    command = [
        strace(),
        "-f",
        "-p",
        str(pid),
        "-o",
        os.devnull,
        "-e",
        f"trace={calls}",
        "-e",
        f"inject={answer}",
    ]
    with tempfile.TemporaryFile("w+") as said, subprocess.Popen(command, stderr=said) as tracer:
        try:
            deadline_s = time.monotonic() + 20
            while "attached" not in _text(said.fileno()):
                assert tracer.poll() is None, _text(said.fileno())
                assert time.monotonic() < deadline_s, f"strace did not attach: {_text(said.fileno())}"
                time.sleep(0.01)
            yield
        finally:
            tracer.send_signal(signal.SIGINT)


def _text(file: int) -> str:
    return os.pread(file, 100_000, 0).decode()


def from_the_start(answer: str) -> tuple[str, ...]:
    """Return what to put before a command whose calls are to be answered from its first one on; it keeps its process id."""
    calls = answer.split(":", maxsplit=1)[0]
    return (*_apart(Path(os.devnull)), "-e", f"trace={calls}", "-e", f"inject={answer}")


def _apart(log: Path) -> tuple[str, ...]:
    # -D: strace is the grandchild; -I2: it ends by SIGINT, and lets go
    return (strace(), "-D", "-f", "-qq", "-I2", "-o", str(log))


def let_go(pid: int) -> None:
    """End the strace that was put before a command; the command goes on."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    tracer = int(next(line for line in lines if line.startswith("TracerPid")).split()[1])
    assert tracer, "nobody traces it"
    with suppress(ProcessLookupError):
        os.kill(tracer, signal.SIGINT)


def noted(log: Path) -> tuple[str, ...]:
    """Return what to put before a command whose writes and flushes are to be written down for `WrittenFiles`.

    A flush takes a tenth of a second, as on a memory card: time enough to be cut off in the middle of a commit.
    """
    calls = (
        "-e",
        "trace=pwrite64,ftruncate,fsync,fdatasync",
        "-e",
        "inject=fsync,fdatasync:delay_enter=100000",
    )
    return (*_apart(log), "--seccomp-bpf", "-y", "-xx", "-s", "1000000", "-e", "signal=none", *calls)
