"""No label upon another."""

import itertools

from hypothesis import given
from hypothesis import strategies as st

from ullage.daemon.chart.labels import Wish, place, spread

wishes = st.lists(st.tuples(st.floats(0, 300), st.floats(5, 120), st.integers(0, 3)), max_size=25)


@given(wishes, st.integers(0, 4))
def test_labels_of_a_row_keep_apart(raw: list[tuple[float, float, int]], rows: int) -> None:
    """Whatever is asked for, two labels of one row never touch; and one that stands alone always finds room."""
    asked = [Wish(left, left + width, rank) for left, width, rank in raw]
    found = place(asked, rows, spacing=4.0)
    for (a, row_a), (b, row_b) in itertools.combinations(zip(asked, found, strict=True), 2):
        if row_a is not None and row_a == row_b:
            assert a.right + 4.0 <= b.left + 1e-9 or b.right + 4.0 <= a.left + 1e-9
    if rows and len(asked) == 1:
        assert found == (0,)


def test_the_urgent_one_goes_first() -> None:
    """Where only one fits it is the most urgent."""
    assert place([Wish(0, 50, 0), Wish(10, 60, 3)], 1) == (None, 0)


@given(st.lists(st.floats(0, 100), max_size=6))
def test_heights_are_spread(wanted: list[float]) -> None:
    """Words beside lines stand a line apart, within the panel, in the order of what they name."""
    found = spread(wanted, 14.0, 10.0, 200.0)
    assert all(10.0 - 1e-9 <= y <= 200.0 + 1e-9 for y in found)
    ordered = sorted(found)
    assert all(b - a >= 14.0 - 1e-6 for a, b in itertools.pairwise(ordered))
    assert [found[i] for i in sorted(range(len(wanted)), key=lambda i: wanted[i])] == ordered
