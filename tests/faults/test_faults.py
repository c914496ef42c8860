"""Each fault once, as CI has time for; `python -m tests.faults --long` causes each of them often.

A few run at a time: most of them wait for something. What this machine's kernel or container does not allow is named below the
tests; where everything else has been installed (CI=true) that passes only if another row shows the same by other means.
"""

import random
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor

import pytest

from tests.conftest import IN_CI
from tests.faults.fault import Fault, Row, run
from tests.faults.suite import FAULTS
from tests.faults.table import NOT_CAUSED, line, not_caused

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
def test_it_is_survived(fault: Fault, rows: Rows, record_property: Callable[[str, object], None]) -> None:
    """Nothing is lost that was acknowledged, every alarm is told once, and the daemon comes back unaided."""
    row = rows[fault.key].result()
    print(line(row))
    if row.missing:
        record_property(NOT_CAUSED, not_caused(row))
        if not (IN_CI and fault.instead):
            pytest.skip(row.missing)
    assert not row.failures, "\n".join(row.failures)


def test_every_row_has_a_name_of_its_own() -> None:
    """They are chosen by it."""
    keys = [fault.key for fault in FAULTS]
    assert len(keys) == len(set(keys))


def test_what_stands_in_for_a_fault_is_tried() -> None:
    """A row that may be missing in CI has one beside it that needs no more than was installed."""
    rows = {(fault.group, fault.name): fault for fault in FAULTS}
    stand_ins = [rows[fault.group, fault.instead] for fault in FAULTS if fault.instead]
    assert len(stand_ins) == 5
    assert not any(fault.instead for fault in stand_ins)
