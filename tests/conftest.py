"""For every test: a skipped test is a failed one where everything that tests need has been installed (CI=true).

And the PostgreSQL servers that tests share: one as it comes, one with the extension TimescaleDB.
"""

import os
import signal
from collections.abc import Generator, Iterator

import pytest

from tests.servers.postgres import PostgresServer
from tests.servers.timescale import TimescaleServer

IN_CI = os.environ.get("CI", "").lower() in ("1", "true", "yes")


def pytest_configure() -> None:
    """Let Ctrl-C be sent to programs under test, though a shell that starts tests in the background has it ignored."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def _refuse(report: pytest.TestReport | pytest.CollectReport) -> None:
    if IN_CI and report.skipped:
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"skipped, which CI does not allow: {reason}"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Turn the skip of a test, an expected failure too, into a failure."""
    report = yield
    _refuse(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Turn the skip of a whole file into a failure."""
    report = yield
    _refuse(report)
    return report


@pytest.fixture(name="postgres", scope="session")
def _postgres() -> Iterator[PostgresServer]:
    """Start one PostgreSQL server for all tests that want one; each makes databases of its own."""
    server = PostgresServer.start()
    yield server
    server.stop()


@pytest.fixture(name="timescale", scope="session")
def _timescale(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TimescaleServer]:
    """Start one server with the extension TimescaleDB; it has one database at a time."""
    server = TimescaleServer.start(tmp_path_factory.mktemp("timescale") / "log")
    yield server
    server.stop()
