"""Marks: what was entered, noticed and raised, each kind with a shape of its own, numbered as in the list beside it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ullage.daemon.chart.labels import Wish, place
from ullage.daemon.chart.layout import Layout
from ullage.daemon.chart.panel import Across
from ullage.daemon.chart.picture import Mark, MarkKind
from ullage.daemon.chart.svg import number, tag, words

SYMBOL = 16.0
"""Width of a symbol; nearer ones share one."""
_RANK = {kind: index for index, kind in enumerate(MarkKind)}


@dataclass(frozen=True, slots=True)
class Group:
    """Marks so near to each other that they share a symbol."""

    x: float
    marks: tuple[Mark, ...]

    @property
    def kind(self) -> MarkKind:
        """The most urgent kind among them."""
        return max((mark.kind for mark in self.marks), key=lambda kind: _RANK[kind])

    @property
    def numbers(self) -> str:
        """Their numbers, as in `3` or `3–5`."""
        known = sorted(mark.number for mark in self.marks if mark.number)
        if not known:
            return ""
        return str(known[0]) if len(known) == 1 else f"{known[0]}–{known[-1]}"

    @property
    def text(self) -> str:
        """What stands beside the symbol where there is room."""
        urgent = next(mark for mark in self.marks if mark.kind is self.kind)
        more = f" +{len(self.marks) - 1}" if len(self.marks) > 1 else ""
        return f"{self.numbers} {urgent.text}{more}".strip()


def grouped(marks: Sequence[Mark], across: Across) -> tuple[Group, ...]:
    """Return the marks within what is shown, those too near to each other as one."""
    shown = sorted(
        (mark for mark in marks if across.start_s <= mark.time_s <= across.end_s), key=lambda m: m.time_s
    )
    groups: list[Group] = []
    for mark in shown:
        x = across(mark.time_s)
        if groups and x - groups[-1].x < SYMBOL:
            groups[-1] = Group(groups[-1].x, (*groups[-1].marks, mark))
        else:
            groups.append(Group(x, (mark,)))
    return tuple(groups)


def word_rows(groups: Sequence[Group], layout: Layout) -> tuple[int | None, ...]:
    """Return the row in which each group's words stand, from 0 at the bottom; None where there is no room for them."""
    return place([_wish(group, layout) for group in groups], layout.mark_rows)


def lane_height(layout: Layout, rows: Sequence[int | None]) -> float:
    """Return the height that symbols and their words need above the panels."""
    used = max((row + 1 for row in rows if row is not None), default=1)
    return used * (layout.font + 3) + SYMBOL + 8


def draw_marks(
    groups: Sequence[Group], rows: Sequence[int | None], layout: Layout, bottom: float
) -> Iterator[str]:
    """Yield stems down to `bottom`, symbols, their numbers, and words where there is room.

    Parameters
    ----------
    groups
        What to draw.
    rows
        Where their words stand, as `word_rows` has it.
    layout
        For which width.
    bottom
        The foot of the panels.
    """
    y = lane_height(layout, rows) - SYMBOL / 2 - 4
    for group in groups:
        alarm = " stem-alarm" if group.kind is MarkKind.ALARM else ""
        yield tag("path", class_=f"stem{alarm}", d=f"M{number(group.x)} {number(y)}V{number(bottom)}")
    wishes = [_wish(group, layout) for group in groups]
    said = [wish for wish, row in zip(wishes, rows, strict=True) if row == 0]
    numbers = [
        Wish(g.x - 4 * len(g.numbers), g.x + 4 * len(g.numbers), _RANK[g.kind])
        for g, row in zip(groups, rows, strict=True)
        if row is None
    ]
    numbered = iter(place(numbers, 1, 2.0, around=said))
    for group, wish, row in zip(groups, wishes, rows, strict=True):
        parts = [symbol(group.kind, group.x, y)]
        if row is None and next(numbered) is not None and group.numbers:
            parts.append(
                tag("text", words(group.numbers), x=group.x, y=y - SYMBOL / 2 - 2, text_anchor="middle")
            )
        if row is not None:
            line = y - SYMBOL / 2 - 3 - row * (layout.font + 3)
            parts.append(tag("text", words(group.text), class_="halo", x=wish.left, y=line))
        title = "; ".join(f"{mark.kind.value}: {mark.text}" for mark in group.marks)
        yield tag("g", tag("title", words(title)), *parts)


def _wish(group: Group, layout: Layout) -> Wish:
    width = layout.text_width(group.text)
    left = min(group.x - 6, layout.plot_right - width)
    left = max(left, 2.0)
    return Wish(left, left + width, _RANK[group.kind])


def symbol(kind: MarkKind, x: float, y: float) -> str:
    """Return a diamond for an entry, a disc for a notice, a ring for an alarm that is over, a triangle for an alarm."""
    look = f"mark mark-{kind.value}"
    if kind is MarkKind.JOURNAL:
        return tag("path", class_=look, d=f"M{number(x)} {number(y - 7)}l7 7-7 7-7-7z")
    if kind is MarkKind.ALARM:
        return tag("path", class_=look, d=f"M{number(x)} {number(y - 8)}l8 14h-16z")
    if kind is MarkKind.OVER:
        return tag("path", class_=look, fill_rule="evenodd",
                   d=f"M{number(x - 6)} {number(y)}a6 6 0 1 0 12 0a6 6 0 1 0-12 0z"
                     f"M{number(x - 3)} {number(y)}a3 3 0 1 0 6 0a3 3 0 1 0-6 0z")  # fmt: skip
    return tag("circle", class_=look, cx=x, cy=y, r=6.0)
