"""The table as it stands in DEVELOPERS.md."""

import os
import platform
import sqlite3
import time
from collections.abc import Iterable, Iterator
from pathlib import Path

from tests.faults.fault import Row

HEAD = ("fault", "caused", "survived", "readings lost", "alarms told", "back after", "")

NOT_CAUSED = "fault not caused"
"""Under this name pytest's report of a row says what could not be tried."""


def lines(rows: Iterable[Row]) -> Iterator[str]:
    """Yield the table in Markdown."""
    yield f"| {' | '.join(HEAD)} |"
    yield f"|{' --- |' * len(HEAD)}"
    for row in rows:
        yield line(row)


def line(row: Row) -> str:
    """Return one row."""
    cost = row.cost
    cells = (
        f"{row.fault.group}: {row.fault.name}",
        str(cost.caused),
        f"{row.survived} of {row.trials}",
        f"{cost.lost} of {cost.of}" if cost.of else "",
        f"all {cost.alarms}, once" if cost.alarms else "",
        f"{cost.back_s:.1f} s" if cost.back_s else "",
        cost.remark or row.missing,
    )
    return f"| {' | '.join(cells)} |"


def not_caused(row: Row) -> str:
    """Return one sentence on a fault that this machine does not allow."""
    instead = f"; shown by {row.fault.group}: {row.fault.instead}" if row.fault.instead else ""
    return f"{row.fault.group}: {row.fault.name}: {row.missing}{instead}"


def machine() -> str:
    """Return when and on what this runs."""
    model = next(
        (text.split(":", 1)[1].strip() for text in _cpu_lines() if text.startswith("model name")),
        platform.machine(),
    )
    return (
        f"{time.strftime('%Y-%m-%d')}, {os.cpu_count()} × {model}, Linux {platform.release().split('-')[0]}, "
        f"Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}"
    )


def _cpu_lines() -> list[str]:
    try:
        return Path("/proc/cpuinfo").read_text().splitlines()
    except OSError:
        return []
