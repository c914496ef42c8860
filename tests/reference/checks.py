"""The check values that tests compare with: `checks.csv`, one row a value with its source and standing.

`status` tells how far a source goes: `published`, `common practice` of the trade, or `from memory`.
"""

import csv
import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One check value."""

    quantity: str
    inputs: dict[str, Any]
    expected: float
    unit: str
    tolerance: float
    source: str
    status: str

    def compare(self, value: float, *, relative: float = 0.0) -> None:
        """Fail unless the value agrees within the row's tolerance, or within a wider relative one that is stated."""
        margin = max(self.tolerance, abs(relative * self.expected))
        assert abs(value - self.expected) <= margin, (
            f"{self.quantity} {self.inputs}: {value!r}, not {self.expected!r} ± {margin:g} {self.unit} "
            f"({self.source}; {self.status})"
        )


@cache
def all_checks() -> tuple[Check, ...]:
    """Return every row of the file."""
    with (Path(__file__).parent / "checks.csv").open(encoding="utf-8", newline="") as file:
        return tuple(
            Check(
                quantity=row["quantity"],
                inputs=json.loads(row["inputs"]),
                expected=float(row["expected"]),
                unit=row["unit"],
                tolerance=float(row["tolerance"]),
                source=row["source"],
                status=row["status"],
            )
            for row in csv.DictReader(file)
        )


def checks(*quantities: str) -> list[Check]:
    """Return the rows of some quantities; none for one of them is a mistake."""
    found = [check for check in all_checks() if check.quantity in quantities]
    missing = set(quantities) - {check.quantity for check in found}
    assert not missing, f"checks.csv has no {', '.join(sorted(missing))}"
    return found


def the(quantity: str) -> Check:
    """Return the only row of a quantity."""
    (check,) = checks(quantity)
    return check


def each(*quantities: str) -> pytest.MarkDecorator:
    """Run a test on every row of some quantities, as its argument `check`."""
    rows = checks(*quantities)
    names = [f"{row.quantity}-{'-'.join(map(str, row.inputs.values()))[:40]}" for row in rows]
    return pytest.mark.parametrize("check", rows, ids=names)
