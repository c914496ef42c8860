"""A chart that stands alone, as in a message or a print: with a heading, and its numbered marks said in words below."""

import math
import re
from collections.abc import Iterator, Sequence
from itertools import zip_longest

from ullage.daemon.chart.drawing import draw
from ullage.daemon.chart.layout import Layout
from ullage.daemon.chart.marks import symbol
from ullage.daemon.chart.picture import Mark, Picture
from ullage.daemon.chart.style import Theme, chart_css
from ullage.daemon.chart.svg import number, tag, words
from ullage.daemon.times import local_text

MOST_LINES = 24
"""Marks said in words; of more the latest are."""
_HEAD = 1.5
"""Size of the heading in small letters."""
_MARGIN = 8.0
_COLUMN = 370.0
"""Least width of a column of marks."""


def draw_still(picture: Picture, layout: Layout, heading: str, *, theme: Theme = "light") -> str:
    """Return the picture with its heading and the words to its marks, as one SVG element.

    Parameters
    ----------
    picture
        What to show.
    layout
        For which width.
    heading
        Whose chart it is.
    theme
        Fixed, for a renderer that knows no custom properties.
    """
    chart = draw(picture, layout, prefix="still")
    found = re.search(r'viewBox="0 0 [\d.]+ ([\d.]+)"', chart)
    assert found is not None  # `draw` writes it
    line = layout.font + 6
    top = _MARGIN + layout.font * _HEAD + line + _MARGIN
    below = top + float(found[1]) + _MARGIN
    marks = [mark for mark in picture.marks if picture.start_s <= mark.time_s <= picture.end_s]
    rows = _rows(marks, layout)
    height = below + len(rows) * line + _MARGIN
    span = f"{local_text(picture.start_s, picture.zone)} to {local_text(picture.end_s, picture.zone)}"
    return tag(
        "svg",
        tag("style", words(chart_css(theme))),
        tag("text", words(heading), class_="head", x=_MARGIN, y=_MARGIN + layout.font * _HEAD - 4,
            font_size=layout.font * _HEAD),
        tag("text", words(span), x=_MARGIN, y=_MARGIN + layout.font * _HEAD + line - 4),
        tag("g", chart, transform=f"translate(0 {number(top)})"),
        *_key(rows, picture, layout, below, line),
        xmlns="http://www.w3.org/2000/svg",
        class_="chart",
        viewBox=f"0 0 {number(layout.width)} {number(height)}",
        width=layout.width,
        height=height,
        font_size=layout.font,
    )  # fmt: skip


def _columns(layout: Layout) -> int:
    return max(int(layout.width // _COLUMN), 1)


def _rows(marks: Sequence[Mark], layout: Layout) -> list[tuple[Mark | None, ...]]:
    """Return the latest marks in columns that are read downwards."""
    shown = marks[-MOST_LINES:]
    if not shown:
        return []
    per_column = math.ceil(len(shown) / _columns(layout))
    columns = [shown[at : at + per_column] for at in range(0, len(shown), per_column)]
    return list(zip_longest(*columns))


def _key(
    rows: Sequence[Sequence[Mark | None]], picture: Picture, layout: Layout, top: float, line: float
) -> Iterator[str]:
    width = (layout.width - 2 * _MARGIN) / _columns(layout)
    room = int((width - 50) / (0.52 * layout.font))
    for row_number, row in enumerate(rows):
        y = top + (row_number + 1) * line - 4
        for place, mark in enumerate(row):
            if mark is None:
                continue
            x = _MARGIN + place * width
            text = f"{local_text(mark.time_s, picture.zone)}  {mark.text}"
            text = text if len(text) <= room else f"{text[: room - 1]}…"
            yield tag("text", str(mark.number), x=x + 18, y=y, text_anchor="end")
            yield symbol(mark.kind, x + 32, y - 4)
            yield tag("text", words(text), x=x + 46, y=y)
