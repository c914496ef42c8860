"""Charts for the page: which span is meant, the drawing, and the list of its marks; the latest drawings are kept."""

import threading
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from ullage.daemon.chart.batch import BatchView, batch_picture, comparison_picture
from ullage.daemon.chart.batch_spans import BatchSpan
from ullage.daemon.chart.drawing import draw
from ullage.daemon.chart.layout import DESK, LAYOUTS, PHONE, Layout
from ullage.daemon.chart.picture import Mark, MarkKind
from ullage.daemon.chart.style import Theme
from ullage.daemon.chart.svg import tag, words
from ullage.daemon.chart.units import Units
from ullage.daemon.local_time import LocalTime
from ullage.daemon.page.cellar import Cellar
from ullage.daemon.times import local_text
from ullage.detectors.journal import Word, understand

SPANS_S: Mapping[str, float] = {
    "6h": 6 * 3600.0,
    "1d": 86_400.0,
    "3d": 3 * 86_400.0,
    "10d": 10 * 86_400.0,
}
SHORTEST_S = 600.0
LONGEST_S = 3 * 365 * 86_400.0
_KEPT = 32
_GRAIN_S = 10.0
"""A drawing that ends now is good for so long."""
_SIGNS = {MarkKind.JOURNAL: "◆", MarkKind.NOTICE: "●", MarkKind.OVER: "○", MarkKind.ALARM: "▲"}
_KINDS = {
    MarkKind.JOURNAL: "entry",
    MarkKind.NOTICE: "notice",
    MarkKind.OVER: "alarm over",
    MarkKind.ALARM: "alarm",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What is asked for."""

    vessel: str
    layout: Layout = PHONE
    span: str = "batch"
    """One of `SPANS_S`, or `batch`; overruled by start and end."""
    start_s: float | None = None
    end_s: float | None = None
    units: Units = field(default_factory=Units)
    theme: Theme | None = None


@dataclass(frozen=True, slots=True)
class Drawn:
    """A chart and the list of what its numbers mean."""

    svg: str
    marks: str


class Charts:
    """Draws; safe to call from several threads."""

    def __init__(self, cellar: Cellar) -> None:
        self._cellar = cellar
        self._lock = threading.Lock()
        self._kept: OrderedDict[tuple[Asked, int], Drawn] = OrderedDict()

    def draw(self, asked: Asked) -> Drawn:
        """Return the chart of one vessel.

        Raises
        ------
        KeyError
            If there is no such vessel.
        StoreError
            If the database refuses.
        """
        key = (asked, int(self._cellar.now_s() // _GRAIN_S))
        with self._lock:
            known = self._kept.get(key)
        if known is not None:
            return known
        made = self._made(asked)
        with self._lock:
            self._kept[key] = made
            while len(self._kept) > _KEPT:
                self._kept.popitem(last=False)
        return made

    def forget(self) -> None:
        """Draw anew: something has been done that shows."""
        with self._lock:
            self._kept.clear()

    def of_batch(self, span: BatchSpan, layouts: Sequence[Layout], units: Units) -> tuple[Drawn, ...]:
        """Return the chart of a batch, current or past, once for each layout."""
        end_s = self._cellar.now_s() if span.end_s is None else span.end_s
        shown_s = (span.start_s, max(end_s, span.start_s + SHORTEST_S))
        view = self._cellar.lookback.view_of(span)
        return tuple(
            self._drawn(view, shown_s, Asked(vessel=span.vessel, layout=layout, units=units))
            for layout in layouts
        )

    def comparison(
        self, first: BatchSpan, second: BatchSpan, layouts: Sequence[Layout], units: Units
    ) -> tuple[str, ...]:
        """Return two batches over each other, from pitching, once for each layout."""
        views = [self._cellar.lookback.view_of(span) for span in (first, second)]
        names = (_name(first, second), _name(second, first))
        pitched_s = _pitched_s(first, views[0]), _pitched_s(second, views[1])
        picture = comparison_picture(views[0], views[1], pitched_s, names, units)
        return tuple(draw(picture, layout, prefix="compare") for layout in layouts)

    def _made(self, asked: Asked) -> Drawn:
        if asked.vessel not in self._cellar.vessels:
            raise KeyError(asked.vessel)
        span_s = self._span(asked)
        return self._drawn(self._cellar.lookback.view(asked.vessel, *span_s), span_s, asked)

    def _drawn(self, view: BatchView, span_s: tuple[float, float], asked: Asked) -> Drawn:
        cellar = self._cellar
        picture = batch_picture(
            view, span_s, asked.units, cellar.zone, title=f"Chart of {asked.vessel}", now_s=cellar.now_s()
        )
        prefix = f"v{cellar.names().index(asked.vessel)}"
        svg = draw(picture, asked.layout, prefix=prefix, theme=asked.theme)
        return Drawn(svg, marks_list(view.marks, cellar.zone))

    def _span(self, asked: Asked) -> tuple[float, float]:
        now_s = self._cellar.now_s()
        if asked.start_s is not None and asked.end_s is not None:
            start_s, end_s = asked.start_s, asked.end_s
        elif asked.span in SPANS_S:
            start_s, end_s = now_s - SPANS_S[asked.span], now_s
        else:
            start_s, end_s = self._cellar.lookback.current_span(asked.vessel)
        middle_s, half_s = (start_s + end_s) / 2, abs(end_s - start_s) / 2
        half_s = min(max(half_s, SHORTEST_S / 2), LONGEST_S / 2)
        return middle_s - half_s, middle_s + half_s


def layout_named(name: str) -> Layout:
    """Return a layout by its name, that of a phone if there is none."""
    return LAYOUTS.get(name, PHONE)


def both_layouts() -> tuple[Layout, Layout]:
    """Return the layouts in the order in which a document holds them."""
    return DESK, PHONE


def marks_list(marks: Sequence[Mark], zone: LocalTime) -> str:
    """Return what the numbers in a chart mean, as items of a list."""
    return "".join(
        tag(
            "li",
            words(f"{_SIGNS[mark.kind]} {local_text(mark.time_s, zone)} {_KINDS[mark.kind]}: {mark.text}"),
            value=mark.number,
        )
        for mark in marks
    )


def _pitched_s(span: BatchSpan, view: BatchView) -> float:
    """Return when a batch was pitched by its journal, else when it began: it may have been begun a day before."""
    entries = ((entry.time_s, understand(entry.text)) for entry in view.entries)
    pitched = [at for at, known in entries if known is not None and known.word is Word.PITCHED]
    return min((at for at in pitched if at >= span.start_s), default=span.start_s)


def _name(span: BatchSpan, other: BatchSpan) -> str:
    """Return a name that tells a batch from the other one."""
    if span.vessel == other.vessel:
        return span.name if span.name != other.name else f"{span.name} ({span.key})"
    return f"{span.vessel}, {span.name}"
