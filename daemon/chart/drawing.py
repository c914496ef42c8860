"""The whole chart: marks above, panels below one another over one axis of time, in one of the two layouts."""

import itertools
from collections.abc import Iterator

from ullage.daemon.chart.layout import Layout
from ullage.daemon.chart.marks import draw_marks, grouped, lane_height, word_rows
from ullage.daemon.chart.panel import Across, draw_panel, panel_height
from ullage.daemon.chart.picture import Picture
from ullage.daemon.chart.style import Theme, chart_css
from ullage.daemon.chart.svg import number, tag, words
from ullage.daemon.chart.ticks import Tick, elapsed_ticks, time_ticks

FOOT = 24.0
BETWEEN = 4.0
_NAME_GAP = 6.0


def draw(picture: Picture, layout: Layout, *, prefix: str = "c", theme: Theme | None = None) -> str:
    """Return the chart as one SVG element.

    Parameters
    ----------
    picture
        What to show.
    layout
        For which width.
    prefix
        Begins every id, so that several charts may stand in one document.
    theme
        Puts the style sheet inside; None where the document brings it.
    """
    across = Across(picture.start_s, picture.end_s, layout.plot_left, layout.plot_right)
    groups = grouped(picture.marks, across)
    rows = word_rows(groups, layout)
    top = lane_height(layout, rows) if groups else 4.0 + len(picture.names) * (layout.font + _NAME_GAP)
    heights = [panel_height(panel, layout) + BETWEEN for panel in picture.panels]
    tops = list(itertools.accumulate(heights, initial=top))
    bottom = tops[-1] - BETWEEN
    height = bottom + FOOT
    identity = f"{prefix}-{layout.name}"
    ticks = _ticks(picture, layout)
    return tag(
        "svg",
        tag("title", words(picture.title), id=f"{identity}-t"),
        tag("desc", words(picture.description), id=f"{identity}-d"),
        tag("style", words(chart_css(theme))) if theme is not None else "",
        tag("rect", x=0, y=0, width=layout.width, height=height, fill="none"),
        *_spans(picture, across, top, bottom),
        *_day_lines(ticks, across, top, bottom),
        *(
            draw_panel(picture, panel, layout, at, f"{identity}-{index}")
            for index, (panel, at) in enumerate(zip(picture.panels, tops, strict=False))
        ),
        *_names(picture, layout),
        *draw_marks(groups, rows, layout, bottom),
        *_now(picture, across, top, bottom),
        *_foot(ticks, layout, across, bottom),
        xmlns="http://www.w3.org/2000/svg",
        class_=f"chart chart-{layout.name}",
        viewBox=f"0 0 {number(layout.width)} {number(height)}",
        width=layout.width,
        height=height,
        font_size=layout.font,
        role="img",
        aria_labelledby=f"{identity}-t {identity}-d",
        data_start=f"{picture.start_s:.3f}",
        data_end=f"{picture.end_s:.3f}",
        data_left=layout.plot_left,
        data_right=layout.plot_right,
    )


def _names(picture: Picture, layout: Layout) -> Iterator[str]:
    """Yield the names of batches that lie over each other, each behind a piece of its line."""
    for place, name in enumerate(picture.names):
        y = (place + 1) * (layout.font + _NAME_GAP) - 2
        left = layout.plot_left
        yield tag("path", class_="key-other" if place else "key", d=f"M{number(left)} {number(y - 4)}h34")
        yield tag("text", words(name), class_="head", x=left + 42, y=y)


def _ticks(picture: Picture, layout: Layout) -> tuple[Tick, ...]:
    if picture.elapsed:
        return elapsed_ticks(picture.start_s, picture.end_s, layout.time_ticks)
    return time_ticks(picture.start_s, picture.end_s, layout.time_ticks, picture.zone)


def _spans(picture: Picture, across: Across, top: float, bottom: float) -> Iterator[str]:
    for span in picture.spans:
        left, right = across(span.from_s), across(span.to_s)
        if right > left:
            yield tag("rect", tag("title", words(span.text)), class_=f"span-{span.role.value}", x=left, y=top,
                      width=right - left, height=bottom - top)  # fmt: skip


def _day_lines(ticks: tuple[Tick, ...], across: Across, top: float, bottom: float) -> Iterator[str]:
    for major in (False, True):
        path = "".join(
            f"M{number(across(tick.at))} {number(top)}V{number(bottom)}"
            for tick in ticks
            if tick.major is major
        )
        if path:
            yield tag("path", class_="day" if major else "grid", d=path)


def _now(picture: Picture, across: Across, top: float, bottom: float) -> Iterator[str]:
    if picture.now_s is not None and picture.start_s < picture.now_s < picture.end_s:
        yield tag("path", class_="now", d=f"M{number(across(picture.now_s))} {number(top)}V{number(bottom)}")


def _foot(ticks: tuple[Tick, ...], layout: Layout, across: Across, bottom: float) -> Iterator[str]:
    """Yield the words under the axis; dates go before times where there is not room for all."""
    taken: list[tuple[float, float]] = []
    for tick in sorted(ticks, key=lambda t: not t.major):
        half = layout.text_width(tick.text) / 2
        x = min(max(across(tick.at), half), layout.width - half)
        if all(x - half > b + 4 or x + half < a - 4 for a, b in taken):
            taken.append((x - half, x + half))
            yield tag("text", words(tick.text), x=x, y=bottom + layout.font + 4, text_anchor="middle")
