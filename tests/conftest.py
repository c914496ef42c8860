"""For every test: a skipped test is a failed one where everything that tests need has been installed (CI=true).

And how processes share the whole suite (`sharing.py`), what is said at its end, and the PostgreSQL servers that the tests of one
process share: one as it comes, one with the extension TimescaleDB.
"""

import os
import signal
from collections.abc import Generator, Iterator

import pytest
from hypothesis import settings
from xdist.remote import Producer  # type: ignore[import-untyped]

from tests import sharing
from tests.faults.table import NOT_CAUSED
from tests.servers.postgres import PostgresServer
from tests.servers.timescale import TimescaleServer

settings.register_profile("unhurried", deadline=None)  # a busy machine is no finding
settings.load_profile("unhurried")

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


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Start other processes for the whole suite alone."""
    return sharing.processes(config)


def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> sharing.ByFile:
    """Hand out files."""
    return sharing.ByFile(config, log)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put first what takes longest."""
    items.sort(key=lambda item: sharing.place(item.nodeid.split("::", 1)[0]))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Name the faults that could not be caused; it stands here because who hands tests out loads no conftest below."""
    reports = [report for kind in terminalreporter.stats.values() for report in kind]
    sentences = [
        str(words)
        for report in reports
        if isinstance(report, pytest.TestReport)
        for name, words in report.user_properties
        if name == NOT_CAUSED and report.when == "call"
    ]
    if sentences:
        terminalreporter.section("faults that this machine does not let us cause")
        for sentence in sentences:
            terminalreporter.write_line(sentence)


@pytest.fixture(name="postgres", scope="session")
def _postgres() -> Iterator[PostgresServer]:
    """Start one PostgreSQL server for all tests of this process that want one; each makes databases of its own."""
    server = PostgresServer.start()
    yield server
    server.stop()


@pytest.fixture(name="timescale", scope="session")
def _timescale(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TimescaleServer]:
    """Start one server with the extension TimescaleDB; it has one database at a time."""
    server = TimescaleServer.start(tmp_path_factory.mktemp("timescale") / "log")
    yield server
    server.stop()
