"""Each fault once, as CI has time for; `python -m tests.faults --long` causes each of them often.

A few run at a time: most of them wait for something.
"""

import os
import random
from collections.abc import Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor

import pytest

from tests.faults.fault import Fault, Row, run
from tests.faults.suite import FAULTS
from tests.faults.table import line

SEED = random.SystemRandom().randrange(1, 10**6)
AT_A_TIME = 3
LONGEST_S = 900
"""For all together on a machine that is busy with other things; two minutes are usual."""

Rows = Mapping[str, "Future[Row]"]


@pytest.fixture(name="rows", scope="module")
def _rows(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rows]:
    chosen: list[Fault] = [
        item.callspec.params["fault"]  # type: ignore[misc]
        for item in request.session.items
        if isinstance(item, pytest.Function) and item.originalname == test_it_is_survived.__name__
    ]
    with ThreadPoolExecutor(AT_A_TIME) as pool:
        yield {
            fault.key: pool.submit(run, fault, tmp_path_factory.mktemp("f"), seed=SEED, long=False)
            for fault in reversed(chosen)
        }


@pytest.mark.timeout(LONGEST_S)
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.key)
def test_it_is_survived(fault: Fault, rows: Rows) -> None:
    """Nothing is lost that was acknowledged, every alarm is told once, and the daemon comes back unaided."""
    row = rows[fault.key].result()
    print(line(row))
    if row.missing and "CI" in os.environ:
        return  # a device of the kernel that no installation brings; the line above says so
    if row.missing:
        pytest.skip(row.missing)
    assert not row.failures, "\n".join(row.failures)


def test_every_row_has_a_name_of_its_own() -> None:
    """They are chosen by it."""
    keys = [fault.key for fault in FAULTS]
    assert len(keys) == len(set(keys))
