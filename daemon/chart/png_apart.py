"""A picture rendered in a process of its own, which may fail, hang or want too much memory and harm nobody.

The renderer is native code, and the daemon's other threads watch vessels. So the drawing goes to a child as SVG and
comes back as PNG: 30 MB and half a second that end with the child.
"""

import os
import resource
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

from ullage.adapters.errors import DataError, UllageError
from ullage.daemon.chart.png import to_png

MOST_MEMORY_BYTES = 512 * 1024 * 1024
"""Address space, of which little is ever touched."""
_PASSED_ON = (
    "PATH",
    "HOME",
    "LANG",
    "LC_ALL",
    "TMPDIR",
    "PYTHONPATH",
    "PYTHONHOME",
    "PYTHONUSERBASE",
    "VIRTUAL_ENV",
)
"""What of the environment the child gets: the rest may hold secrets."""


def to_png_apart(svg: str, *, width: int, timeout_s: float) -> bytes:
    """Return the picture as PNG.

    Parameters
    ----------
    svg
        A chart drawn with a fixed theme.
    width
        Pixels.
    timeout_s
        The child is ended after so long.

    Raises
    ------
    DataError
        If it can't be rendered, or not in time.
    """
    command = [sys.executable, "-P", "-m", "ullage.daemon.chart.png_apart", str(width)]
    environment = {name: os.environ[name] for name in _PASSED_ON if name in os.environ}
    try:
        done = subprocess.run(
            command,
            input=svg.encode(),
            capture_output=True,
            timeout=timeout_s,
            env=environment,
            start_new_session=True,  # a Ctrl-C is for the daemon, not for the child
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise DataError("picture", f"was not drawn within {timeout_s:.0f} s") from None
    except OSError as error:
        raise DataError("picture", f"can't be drawn ({error.strerror})") from None
    if done.returncode != 0 or not done.stdout.startswith(b"\x89PNG"):
        said = done.stderr.decode(errors="replace").strip().splitlines()
        raise DataError("picture", f"can't be drawn ({said[-1] if said else f'exit {done.returncode}'})")
    return done.stdout


def _stand_back() -> None:
    """Let everything else go first: the processor, and memory when it runs out. Whatever is forbidden is left."""
    with suppress(OSError):
        os.nice(10)
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("1000")
    with suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY_BYTES, MOST_MEMORY_BYTES))


def main() -> int:
    """Read SVG from standard input, write PNG to standard output."""
    _stand_back()
    try:
        data = to_png(sys.stdin.buffer.read().decode(), width=int(sys.argv[1]))
    except UllageError as error:
        print(error, file=sys.stderr)
        return 1
    sys.stdout.buffer.write(data)
    return 0


if __name__ == "__main__":
    sys.exit(main())
