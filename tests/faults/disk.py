"""A small ext4 file system on a disk whose power can be cut, which can crawl, and which can fail."""

import contextlib
import os
import subprocess
import sys
from pathlib import Path
from types import TracebackType
from typing import Self

from tests.faults.fault import Missing

ROOT = Path(__file__).parents[2]
SIZE = 48 * 2**20


def mounted(*arguments: str) -> None:
    """Mount something.

    Raises
    ------
    Missing
        If that is not allowed here, as in most containers.
    """
    done = subprocess.run(["mount", *arguments], capture_output=True, text=True, timeout=60, check=False)
    if done.returncode:
        raise Missing(f"mount is refused: {' '.join(done.stderr.split())[:100]}")


def need_root() -> None:
    """Say that this machine can't do it.

    Raises
    ------
    Missing
        Unless we are root and may make file systems.
    """
    wanted = [] if os.geteuid() == 0 else ["root"]
    wanted += [each for each in ("/dev/fuse", "/dev/loop-control") if not Path(each).exists()]
    if wanted:
        raise Missing(f"needs {', '.join(wanted)}")


class FragileDisk:
    """Mounted at `place` while the context is open.

    Parameters
    ----------
    folder
        Where its parts go; made.
    place
        Where it is mounted; made if missing.
    image
        What a power cut left of another one; a new file system if None.
    """

    def __init__(self, folder: Path, place: Path, image: Path | None = None) -> None:
        self._folder = folder
        self._image = image
        self.place = place
        self._loop = ""
        self._server: subprocess.Popen[str] | None = None

    def __enter__(self) -> Self:
        below = self._folder / "below"
        below.mkdir(parents=True)
        self.place.mkdir(exist_ok=True)
        command = [sys.executable, "-m", "tests.faults.disk_server", str(below), str(SIZE)]
        command += [] if self._image is None else [str(self._image)]
        said = self._folder / "said"
        with said.open("w") as errors:
            self._server = subprocess.Popen(
                command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=errors, text=True, cwd=ROOT
            )
        if self._line() != "mounted":
            self.__exit__(None, None, None)
            why = (said.read_text().strip() or "no answer").splitlines()[-1]
            raise Missing(f"a file system of our own (FUSE) is refused: {why}")
        try:
            self._loop = _run("losetup", "--find", "--show", str(below / "disk"))
        except subprocess.CalledProcessError as error:
            self.__exit__(None, None, None)
            raise Missing(f"a loop device is refused: {' '.join(error.stderr.split())[:100]}") from error
        if self._image is None:
            _run(
                "mkfs.ext4", "-q", "-F", "-E", "nodiscard,lazy_itable_init=0,lazy_journal_init=0", self._loop
            )
        mounted("-o", "errors=remount-ro", self._loop, str(self.place))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.unmount()
        server = self._server
        assert server is not None
        with contextlib.suppress(subprocess.TimeoutExpired):
            server.wait(5)
        server.kill()
        server.wait(5)
        for pipe in (server.stdin, server.stdout):
            if pipe is not None:
                pipe.close()

    def unmount(self) -> None:
        """Take it out."""
        if self._loop:
            self.tell("slow 0")
            for command in (("umount", "--lazy", str(self.place)), ("losetup", "--detach", self._loop)):
                with contextlib.suppress(subprocess.CalledProcessError):
                    _run(*command)
            self._loop = ""
        with contextlib.suppress(subprocess.CalledProcessError):  # done already, or never mounted
            _run("umount", "--lazy", str(self._folder / "below"))

    def cut(self, image: Path, seed: int) -> int:
        """Write down what the disk would hold if its power went now; return the sectors that it would cost."""
        return int(self.tell(f"cut {image} {seed}"))

    def tell(self, command: str) -> str:
        """Give the disk a command; return its answer."""
        assert self._server is not None
        assert self._server.stdin is not None
        self._server.stdin.write(f"{command}\n")
        self._server.stdin.flush()
        return self._line()

    def _line(self) -> str:
        assert self._server is not None
        assert self._server.stdout is not None
        return self._server.stdout.readline().strip()


def _run(*command: str) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True, timeout=60).stdout.strip()
