"""The file of check values itself: complete, sourced, and used."""

import re
from pathlib import Path

from tests.reference.checks import all_checks


def test_every_value_names_its_source_and_standing() -> None:
    """No number without where it comes from and how far that goes."""
    for check in all_checks():
        assert len(check.source) > 5, check
        assert check.status in {"published", "common practice", "from memory"}, check


def test_every_value_is_used() -> None:
    """A value that no test compares with checks nothing."""
    here = Path(__file__).parent.parent
    text = "\n".join(
        path.read_text(encoding="utf-8")
        for folder in ("reference", "detectors")
        for path in (here / folder).glob("*.py")
    )
    unused = {c.quantity for c in all_checks() if not re.search(rf'"{c.quantity}"', text)}
    assert not unused
