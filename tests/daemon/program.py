"""The program as a user starts it: a process of its own."""

import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

COMMAND = (sys.executable, "-m", "ullage.daemon.cli")


def environment(changes: Mapping[str, str] | None = None) -> dict[str, str]:
    """Return this process's environment without what would point the program elsewhere."""
    kept = {key: value for key, value in os.environ.items() if not key.startswith("ULLAGE_")}
    return kept | {"COLUMNS": "100", "TZ": "UTC"} | dict(changes or {})


def ullage(
    *arguments: str | Path, env: Mapping[str, str] | None = None, cwd: Path | None = None
) -> subprocess.CompletedProcess[str]:
    """Run one command to its end."""
    return subprocess.run(
        [*COMMAND, *map(str, arguments)],
        env=environment(env),
        cwd=cwd,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


def sentences(done: subprocess.CompletedProcess[str]) -> list[str]:
    """Return what it said on stderr; a traceback is never among it."""
    assert "Traceback" not in done.stderr
    return done.stderr.splitlines()
