"""For every test: a skipped test is a failed one where everything that tests need has been installed (CI=true)."""

import os
from collections.abc import Generator

import pytest

IN_CI = os.environ.get("CI", "").lower() in ("1", "true", "yes")


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
