"""Names the faults that could not be caused where everybody sees it; what a passing test prints is not shown."""

import pytest

from tests.faults.table import NOT_CAUSED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print them before the last line."""
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
