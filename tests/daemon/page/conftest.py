"""A cellar with a page, one for each test."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.daemon.page.kit import Kit


@pytest.fixture(name="kit")
def _kit(tmp_path: Path) -> Iterator[Kit]:
    kit = Kit(tmp_path).start()
    yield kit
    kit.close()
