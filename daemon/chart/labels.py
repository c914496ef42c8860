"""Labels that don't run into each other: each takes the first row where there is room, the most urgent first."""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Wish:
    """Where a label would stand: left and right end in pixels, and how urgent it is (higher goes first)."""

    left: float
    right: float
    rank: int = 0


def place(
    wishes: Sequence[Wish], rows: int, spacing: float = 6.0, around: Sequence[Wish] = ()
) -> tuple[int | None, ...]:
    """Return the row of each label, from 0, or None where no row has room.

    Parameters
    ----------
    wishes
        The labels, in any order.
    rows
        How many rows there are.
    spacing
        Least distance between two labels of a row.
    around
        What stands in the first row already.
    """
    taken: list[list[tuple[float, float]]] = [[] for _ in range(rows)]
    if taken:
        taken[0] += [(other.left, other.right) for other in around]
    found: list[int | None] = [None] * len(wishes)
    for index in sorted(range(len(wishes)), key=lambda i: (-wishes[i].rank, wishes[i].left)):
        wish = wishes[index]
        for row, others in enumerate(taken):
            if all(wish.left >= b + spacing or wish.right <= a - spacing for a, b in others):
                others.append((wish.left, wish.right))
                found[index] = row
                break
    return tuple(found)


def spread(wanted: Sequence[float], height: float, low: float, high: float) -> tuple[float, ...]:
    """Return places near the wanted ones, at least `height` apart and within low to high where that is possible."""
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    places = [0.0] * len(wanted)
    last = low - height
    for index in order:
        last = max(wanted[index], last + height)
        places[index] = last
    over = high
    for index in reversed(order):
        places[index] = min(places[index], over)
        over = places[index] - height
    return tuple(places)
