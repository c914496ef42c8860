"""One panel: grid, ranges, lines, and the words that name them."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from ullage.daemon.chart.labels import spread
from ullage.daemon.chart.layout import Layout
from ullage.daemon.chart.picture import Bars, Level, Panel, Picture, Role, Series
from ullage.daemon.chart.svg import number, tag, words
from ullage.daemon.chart.thin import Stretch, gaps, thin
from ullage.daemon.chart.ticks import NumberScale, number_scale

HEAD = 26.0
"""Height of the line above a panel."""
NEAR = 0.6
"""A level is drawn if it lies within this share of the readings' own span beyond them."""
_SIDE_LINES = frozenset({Role.OTHER, Role.AIR})
"""Their gaps show in the line alone: the marks at the foot tell of what the panel is called after."""
_GAP_HEIGHT = 5.0
_LEAST_GAP_WIDTH = 2.0
_KEY_GAP = 10.0
_KEY_WIDTH = 22


@dataclass(frozen=True, slots=True)
class Across:
    """Time to pixels."""

    start_s: float
    end_s: float
    left: float
    right: float

    def __call__(self, time_s: float) -> float:
        """Return where a time stands, never outside."""
        share = (time_s - self.start_s) / max(self.end_s - self.start_s, 1e-9)
        return self.left + min(max(share, 0.0), 1.0) * (self.right - self.left)


@dataclass(frozen=True, slots=True)
class Up:
    """Values to pixels."""

    scale: NumberScale
    top: float
    bottom: float

    def __call__(self, value: float) -> float:
        """Return where a value stands; it may lie outside."""
        share = (value - self.scale.low) / (self.scale.high - self.scale.low)
        return self.bottom - share * (self.bottom - self.top)


def draw_panel(picture: Picture, panel: Panel, layout: Layout, top: float, clip: str) -> str:
    """Return one panel whose head begins at `top`; `clip` is the id of its clip path."""
    across = Across(picture.start_s, picture.end_s, layout.plot_left, layout.plot_right)
    height = layout.panel_height * panel.share
    lines = [(series, _thinned(series, picture, layout)) for series in panel.series]
    scale = _scale(panel, picture, lines, max(2, int(height / 42)))
    up = Up(scale, top + HEAD, top + HEAD + height)
    box = {"x": across.left, "y": up.top, "width": across.right - across.left, "height": height}
    body = [
        *(_band(up, across, band.low, band.high, band.role) for band in panel.bands),
        *_grid(up, across, layout),
        *(_level(level, up, across) for level in panel.levels if _within(level.value, scale)),
        *(_line(series, stretches, across, up) for series, stretches in reversed(lines)),
        *(_bars(bars, picture, across, up) for bars in panel.bars),
        *(
            tag("path", class_="slope", d=f"M{number(across(s.from_s))} {number(up(s.from_value))}"
                f"L{number(across(s.to_s))} {number(up(s.to_value))}")
            for s in panel.slopes
        ),
    ]  # fmt: skip
    empty = not any(stretches for _, stretches in lines) and not any(
        _shown(b, picture).any() for b in panel.bars
    )
    return tag(
        "g",
        tag("clipPath", tag("rect", **box), id=clip),
        tag("g", *body, clip_path=f"url(#{clip})"),
        *_gap_marks(panel.series, picture, across, up),
        *_names(panel, lines, layout, across, up),
        _head(panel, layout, top, scale),
        *_keys(panel, picture, lines, layout, top),
        tag("text", words(panel.empty), x=across.left + 8, y=(up.top + up.bottom) / 2) if empty else "",
        class_="panel",
        data_unit=panel.unit,
        data_title=panel.title,
        data_decimals=panel.decimals,
        data_low=f"{scale.low:.6g}",
        data_high=f"{scale.high:.6g}",
        data_top=up.top,
        data_bottom=up.bottom,
    )


def panel_height(panel: Panel, layout: Layout) -> float:
    """Return the height of a panel with its head."""
    return HEAD + layout.panel_height * panel.share


def _thinned(series: Series, picture: Picture, layout: Layout) -> tuple[Stretch, ...]:
    span_s = (picture.start_s, picture.end_s)
    return thin(series.time_s, series.value, span_s, layout.columns, series.gap_s)


def _scale(
    panel: Panel, picture: Picture, lines: Sequence[tuple[Series, tuple[Stretch, ...]]], count: int
) -> NumberScale:
    values = [stretch.value for _, stretches in lines for stretch in stretches]
    values += [bars.value[_shown(bars, picture)] for bars in panel.bars]
    lowest, highest = panel.believable
    values = [part[(part >= lowest) & (part <= highest)] for part in values]
    values = [part for part in values if len(part)]
    ends = [float(part.min()) for part in values] + [float(part.max()) for part in values]
    ends += [end for band in panel.bands for end in (band.low, band.high)]
    ends += [end for slope in panel.slopes for end in (slope.from_value, slope.to_value)]
    ends += [level.value for level in panel.levels if level.always]
    low, high = (min(ends), max(ends)) if ends else (0.0, 1.0)
    if panel.bars and not panel.series:  # rates stand on nought
        return number_scale(min(low, 0.0), max(high, panel.least_span), count)
    reach = max(high - low, panel.least_span) * NEAR
    for level in panel.levels:
        if not level.always and low - reach <= level.value <= high + reach:
            low, high = min(low, level.value), max(high, level.value)
    if high - low < panel.least_span:
        middle = (low + high) / 2
        low, high = middle - panel.least_span / 2, middle + panel.least_span / 2
    return number_scale(low, high, count)


def _within(value: float, scale: NumberScale) -> bool:
    return scale.low <= value <= scale.high


def _grid(up: Up, across: Across, layout: Layout) -> Iterator[str]:
    path = "".join(
        f"M{number(across.left)} {number(up(t.at))}H{number(across.right)}" for t in up.scale.ticks
    )
    yield tag("path", class_="grid", d=path)


def _title(panel: Panel) -> str:
    return f"{panel.title}, {panel.unit}" if panel.unit else panel.title


def _keys(
    panel: Panel,
    picture: Picture,
    lines: Sequence[tuple[Series, tuple[Stretch, ...]]],
    layout: Layout,
    top: float,
) -> Iterator[str]:
    """Yield the names of the side lines that are shown, each behind a piece of its line, after the panel's own name."""
    left, y = layout.plot_left + layout.text_width(_title(panel)) + _KEY_GAP, top + HEAD - 7
    for series, stretches in lines:
        shown = any(s.time_s[-1] >= picture.start_s and s.time_s[0] <= picture.end_s for s in stretches)
        if series.name and shown:
            yield tag(
                "path", class_=f"key-{series.role.value}", d=f"M{number(left)} {number(y - 4)}h{_KEY_WIDTH}"
            )
            yield tag("text", words(series.name), x=left + _KEY_WIDTH + 6, y=y)
            left += _KEY_WIDTH + 6 + layout.text_width(series.name) + _KEY_GAP


def _head(panel: Panel, layout: Layout, top: float, scale: NumberScale) -> str:
    """Return the panel's name and the numbers of its scale."""
    outside = [level for level in panel.levels if not _within(level.value, scale)]
    title = _title(panel)
    up = Up(scale, top + HEAD, top + HEAD + layout.panel_height * panel.share)
    texts = [
        tag("text", words(tick.text), x=layout.plot_left - 5, y=up(tick.at) + 4, text_anchor="end")
        for tick in scale.ticks
    ]
    texts.append(tag("text", words(title), class_="head", x=layout.plot_left, y=top + HEAD - 7))
    if outside:
        said = "; ".join(
            f"{level.text} {'above' if level.value > scale.high else 'below'} this picture"
            for level in outside
        )
        texts.append(
            tag("text", words(said), x=layout.plot_right, y=top + HEAD - 7, text_anchor="end")
            if layout.text_width(title) + layout.text_width(said) < layout.plot_width
            else tag("title", words(said))
        )
    return "".join(texts)


def _band(up: Up, across: Across, low: float, high: float, role: Role) -> str:
    top, bottom = up(high), up(low)
    return tag("rect", class_=f"band-{role.value}", x=across.left, y=top, width=across.right - across.left,
               height=max(bottom - top, 0.0))  # fmt: skip


def _level(level: Level, up: Up, across: Across) -> str:
    left = across.left if level.from_s is None else across(level.from_s)
    right = across.right if level.to_s is None else across(level.to_s)
    return tag(
        "path",
        class_=f"level-{level.role.value}",
        d=f"M{number(left)} {number(up(level.value))}H{number(right)}",
    )


def _line(series: Series, stretches: tuple[Stretch, ...], across: Across, up: Up) -> str:
    """Return one path, in tenths of a pixel and relative steps: half the bytes of absolute numbers."""
    parts: list[str] = []
    width, span_s = across.right - across.left, across.end_s - across.start_s
    for stretch in stretches:
        x = np.rint((across.left + (stretch.time_s - across.start_s) / span_s * width) * 10).astype(np.int64)
        share = (stretch.value - up.scale.low) / (up.scale.high - up.scale.low)
        y = np.rint((up.bottom - share * (up.bottom - up.top)) * 10).astype(np.int64)
        dx, dy = np.diff(x), np.diff(y)
        moved = (dx != 0) | (dy != 0)
        steps = " ".join(f"{a} {b}" for a, b in zip(dx[moved].tolist(), dy[moved].tolist(), strict=True))
        parts.append(f"M{x[0]} {y[0]}l{steps.replace(' -', '-') if steps else '0 0'}")
    return tag("path", class_=f"line {series.role.value}", transform="scale(.1)", d="".join(parts),
               data_name=series.name or None)  # fmt: skip


def _bars(bars: Bars, picture: Picture, across: Across, up: Up) -> str:
    shown = _shown(bars, picture)
    intervals, dots = [], []
    columns = (bars.time_s[shown], bars.value[shown], bars.low[shown], bars.high[shown])
    for time_s, value, low, high in zip(*(column.tolist() for column in columns), strict=True):
        x = round(across(time_s) * 10)
        top, bottom = round(max(up(high), up.top) * 10), round(min(up(low), up.bottom) * 10)
        intervals.append(f"M{x} {top}V{bottom}")
        dots.append(f"M{x} {round(up(value) * 10)}h0")
    return tag(
        "g",
        tag("path", class_=f"thin {bars.role.value}", d="".join(intervals)),
        tag("path", class_=f"dots {bars.role.value}", d="".join(dots)),
        transform="scale(.1)",
    )


def _shown(bars: Bars, picture: Picture) -> "np.ndarray[tuple[int], np.dtype[np.bool_]]":
    return np.asarray((bars.time_s >= picture.start_s) & (bars.time_s <= picture.end_s))


def _gap_marks(series: Sequence[Series], picture: Picture, across: Across, up: Up) -> Iterator[str]:
    """Yield a bar at the foot of the panel wherever nothing was heard, however short it looks."""
    for one in series:
        if one.role in _SIDE_LINES:
            continue
        last_right = -1.0
        for from_s, to_s in gaps(one.time_s, (picture.start_s, picture.end_s), one.gap_s):
            left, right = across(from_s), across(to_s)
            if right <= last_right:
                continue
            last_right = max(right, left + _LEAST_GAP_WIDTH)
            yield tag(
                "rect", tag("title", words(f"no readings for {(to_s - from_s) / 3600:.1f} h")), class_="silent",
                x=left, y=up.bottom - _GAP_HEIGHT, width=last_right - left, height=_GAP_HEIGHT,
            )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Name:
    """Words that belong at a height."""

    y: float
    text: str
    role: str
    left: float
    right: float
    """What it names runs from here to there, in pixels."""


def _names(
    panel: Panel,
    lines: Sequence[tuple[Series, tuple[Stretch, ...]]],
    layout: Layout,
    across: Across,
    up: Up,
) -> Iterator[str]:
    """Yield the words that name ranges, levels and fits; none upon another.

    Each stands at the end of the panel where it hides less of the lines.
    """
    # beside the panel's name there is room for the words of a line at the very top, unless more is said there
    crowded = any(not _within(level.value, up.scale) for level in panel.levels)
    highest = up.top + layout.font - 2 if crowded else up.top - 4
    said: dict[str, _Name] = {}
    for name in _said(panel, layout, across, up, highest):
        said.setdefault(name.text, name)
    places = spread([n.y for n in said.values()], layout.font + 2, highest, up.bottom - 3)
    for name, y in zip(said.values(), places, strict=True):
        width = layout.text_width(name.text)
        starts = [_kept(name.right - 4 - width, width, across), _kept(name.left + 4, width, across)]
        hidden = [_hidden(lines, across, up, (x, x + width), (y - layout.font, y + 3)) for x in starts]
        at_left = hidden[1] < hidden[0]
        at, anchor = (starts[1], "start") if at_left else (starts[0] + width, "end")
        yield tag("text", words(name.text), class_=f"halo word-{name.role}", x=at, y=y, text_anchor=anchor)


def _kept(x: float, width: float, across: Across) -> float:
    """Return where words begin that would begin at `x`, kept within the panel."""
    return min(max(x, across.left + 4), across.right - 4 - width)


def _said(panel: Panel, layout: Layout, across: Across, up: Up, highest: float) -> Iterator[_Name]:
    """Yield the words with the places that they would like; those of a level stand above it, else below."""
    whole = (across.left, across.right)
    for band in panel.bands:
        yield _Name(max(up(band.high), up.top) + layout.font, band.text, "band", *whole)
    for level in panel.levels:
        if _within(level.value, up.scale):
            left = across.left if level.from_s is None else across(level.from_s)
            right = across.right if level.to_s is None else across(level.to_s)
            y = up(level.value)
            y = y - 4 if y - 4 >= highest else y + layout.font + 1
            yield _Name(y, level.text, level.role.value, left, right)
    for slope in panel.slopes:
        yield _Name(
            up(slope.to_value) - 4, slope.text, slope.role.value, across(slope.from_s), across(slope.to_s)
        )


def _hidden(
    lines: Sequence[tuple[Series, tuple[Stretch, ...]]],
    across: Across,
    up: Up,
    x: tuple[float, float],
    y: tuple[float, float],
) -> int:
    """Return how many points of the lines lie within a box."""
    low, high = (up.scale.low + (up.bottom - edge) / (up.bottom - up.top) * (up.scale.high - up.scale.low)
                 for edge in (y[1], y[0]))  # fmt: skip
    begin, end = (across.start_s + (edge - across.left) / (across.right - across.left) * (across.end_s - across.start_s)
                  for edge in x)  # fmt: skip
    return sum(
        int(((s.time_s >= begin) & (s.time_s <= end) & (s.value >= low) & (s.value <= high)).sum())
        for _, stretches in lines
        for s in stretches
    )
