"""How processes share the whole suite: file by file, those that take longest first, those that go by the clock in one of them."""

import os

import pytest
from xdist.scheduler import LoadFileScheduling  # type: ignore[import-untyped]

MOST = 4
"""More would wait for the longest file."""
BY_THE_CLOCK = (
    "tests/faults/test_faults.py",
    "tests/daemon/test_share.py",
    "tests/daemon/test_membership.py",
    "tests/daemon/test_desk_processes.py",
    "tests/daemon/page/test_live.py",
    "tests/daemon/test_batch_live.py",
    "tests/daemon/test_service.py",
    "tests/daemon/test_notifier.py",
    "tests/adapters/test_mqtt.py",
    "tests/adapters/test_serial_line.py",
)
"""They measure time or wait for it to pass. One process has them all, one after the other: they never hurry each other, and while
they wait the others compute."""
LONG = (
    "tests/daemon/page/test_browser.py",
    "tests/daemon/tune/test_tune.py",
    "tests/detectors/test_laws.py",
    "tests/fuzz/test_targets.py",
    "tests/daemon/report/test_report.py",
    "tests/daemon/test_secrets.py",
    "tests/daemon/test_demo.py",
    "tests/daemon/store/test_faults.py",
    "tests/detectors/test_leak.py",
    "tests/daemon/page/test_api.py",
    "tests/daemon/test_check.py",
    "tests/detectors/test_stages.py",
    "tests/daemon/test_replay.py",
    "tests/daemon/page/test_running.py",
)
"""The longest of the others, the longest first: so nobody waits for one of them at the end."""


class ByFile(LoadFileScheduling):  # type: ignore[misc]
    """Whoever is free takes the next file."""

    def _split_scope(self, nodeid: str) -> str:
        file: str = super()._split_scope(nodeid)
        return "by the clock" if file in BY_THE_CLOCK else file


def processes(config: pytest.Config) -> int:
    """Return how many share what is to be run: 0, none beside pytest's own, unless it is the whole suite.

    Where a few tests were asked for, starting others would take longer, and a debugger may stop this one.
    """
    option = config.option
    chosen = option.keyword or option.markexpr or getattr(option, "lf", False) or option.collectonly
    if chosen or config.args_source is not pytest.Config.ArgsSource.TESTPATHS:
        return 0
    return min(MOST, (os.cpu_count() or 1) + 1)  # a third of the suite's time is waiting


def place(file: str) -> int:
    """Return where a file comes in the order."""
    order = BY_THE_CLOCK + LONG
    return order.index(file) if file in order else len(order)
