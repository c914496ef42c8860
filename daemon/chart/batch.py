"""A batch as a picture: from readings, entries and findings in canonical units to panels in the reader's."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from ullage.daemon.chart.picture import (
    Band,
    Bars,
    Level,
    Mark,
    MarkKind,
    Panel,
    Picture,
    Role,
    Series,
    Slope,
    Span,
)
from ullage.daemon.chart.thin import usual_gap_s
from ullage.daemon.chart.units import Units
from ullage.daemon.local_time import LocalTime
from ullage.detectors.finding import NOTICES, Condition, Finding, State
from ullage.detectors.gate import HIGHEST, LOWEST
from ullage.detectors.journal import Word, understand
from ullage.detectors.samples import Entry, FloatArray, Kind
from ullage.detectors.vessel import Vessel

SILENT_S = 900.0
"""Readings further apart than this leave a gap, unless the sensor is one that speaks seldom."""
_LEAST_TEMPERATURE_C = 3.0
_LEAST_PRESSURE_BAR = 0.3
_LEAST_RATE = 1.0


def _nothing() -> FloatArray:
    return np.empty(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """Readings of one quantity in canonical units, shape (n,)."""

    time_s: FloatArray = field(default_factory=_nothing)
    value: FloatArray = field(default_factory=_nothing)
    gap_s: float = SILENT_S

    @staticmethod
    def of(time_s: FloatArray, value: FloatArray) -> "Curve":
        """Return a curve whose line breaks where the sensor was silent for longer than it usually is."""
        return Curve(time_s=time_s, value=value, gap_s=usual_gap_s(time_s, SILENT_S))

    def between(self, start_s: float, end_s: float) -> "Curve":
        """Return the readings from one moment to another."""
        inside = (self.time_s >= start_s) & (self.time_s <= end_s)
        return Curve(time_s=self.time_s[inside], value=self.value[inside], gap_s=self.gap_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """Rates of production with their standard errors, g/L a day, at the middles of their windows; shape (n,)."""

    time_s: FloatArray = field(default_factory=_nothing)
    rate: FloatArray = field(default_factory=_nothing)
    se: FloatArray = field(default_factory=_nothing)


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchView:
    """Everything that a chart of one batch may show."""

    vessel: Vessel
    temperature: Curve = Curve()
    pressure: Curve = Curve()
    air: Curve = Curve()
    """Temperature of the air around it; empty where no thermometer hangs there."""
    rates: Rates = Rates()
    no_rates: str = "can be measured only while no gas can leave"
    """Said where there are none."""
    entries: tuple[Entry, ...] = ()
    marks: tuple[Mark, ...] = ()
    spans: tuple[Span, ...] = ()
    slopes: tuple[Slope, ...] = ()
    """Of the pressure, bar."""


def condition_words(condition: str, subject: str = "") -> str:
    """Return a condition as it is said, with the sensor that it is about."""
    said = condition.replace("-", " ")
    return f"{said} ({subject})" if subject else said


def marks_of(findings: Iterable[Finding], entries: Iterable[Entry]) -> tuple[Mark, ...]:
    """Return one mark for each finding and entry, numbered in the order of time."""
    found: list[tuple[float, MarkKind, str]] = [(e.time_s, MarkKind.JOURNAL, e.text) for e in entries]
    for finding in findings:
        words = condition_words(finding.condition.value, finding.subject)
        if finding.state is State.CLEARED:
            found.append((finding.time_s, MarkKind.OVER, f"{words} over"))
        else:
            kind = MarkKind.NOTICE if finding.condition in NOTICES else MarkKind.ALARM
            found.append((finding.time_s, kind, words))
    found.sort(key=lambda item: item[0])
    return tuple(
        Mark(time_s=at, kind=kind, text=text, number=index)
        for index, (at, kind, text) in enumerate(found, start=1)
    )


def batch_picture(
    view: BatchView,
    span_s: tuple[float, float],
    units: Units,
    zone: LocalTime,
    *,
    title: str,
    now_s: float | None = None,
    with_limit: bool = True,
) -> Picture:
    """Return the chart of one batch.

    Parameters
    ----------
    view
        What may be shown.
    span_s
        From when to when, Unix seconds.
    units, zone
        The reader's.
    title
        What it is.
    now_s
        Moment that is marked.
    with_limit
        Whether the scale reaches up to the rated limit once the pressure is on its way there.
    """
    panels = [_pressure_panel(view, span_s, units, with_limit=with_limit), _temperature_panel(view, units)]
    panels.append(_rate_panel(view.rates, view.no_rates))
    return Picture(
        title=title,
        description=_described(view, span_s, units),
        start_s=span_s[0],
        end_s=span_s[1],
        panels=tuple(panels),
        marks=view.marks,
        spans=view.spans,
        zone=zone,
        now_s=now_s,
    )


def comparison_picture(
    first: BatchView, second: BatchView, pitched_s: tuple[float, float], names: tuple[str, str], units: Units
) -> Picture:
    """Return two batches over one axis that counts days from the pitching of each."""
    views = (_shifted(first, pitched_s[0]), _shifted(second, pitched_s[1]))
    ends = [float(c.time_s[-1]) for v in views for c in (v.pressure, v.temperature) if len(c.time_s)]
    starts = [float(c.time_s[0]) for v in views for c in (v.pressure, v.temperature) if len(c.time_s)]
    roles = (Role.PRESSURE, Role.OTHER), (Role.TEMPERATURE, Role.OTHER)
    pressure = tuple(
        _series(v.pressure, units.shown_pressure(v.pressure.value), role)
        for v, role in zip(views, roles[0], strict=True)
    )
    temperature = tuple(
        _series(v.temperature, units.shown_temperature(v.temperature.value), role)
        for v, role in zip(views, roles[1], strict=True)
    )
    bars = tuple(_bars(v.rates, role) for v, role in zip(views, (Role.PRODUCTION, Role.OTHER), strict=True))
    panels = (
        Panel(title="Pressure", unit=units.pressure_label, decimals=units.pressure_decimals, series=pressure,
              least_span=_span(units.shown_pressure, _LEAST_PRESSURE_BAR),
              believable=_believable(Kind.PRESSURE, units.shown_pressure)),
        Panel(title="Temperature", unit=units.temperature_label, decimals=1, series=temperature, share=0.8,
              least_span=_span(units.shown_temperature, _LEAST_TEMPERATURE_C),
              believable=_believable(Kind.TEMPERATURE, units.shown_temperature)),
        Panel(title="CO₂ production", unit="g/L a day", decimals=1, bars=bars, share=0.6, least_span=_LEAST_RATE,
              empty="not measured: no shut stretch"),
    )  # fmt: skip
    return Picture(
        title=f"{names[0]} and {names[1]}, days from pitching",
        description=f"Two batches over each other, counted from pitching: {names[0]} in full, {names[1]} dashed.",
        start_s=max(min(starts, default=0.0), -86_400.0),
        end_s=max(ends, default=86_400.0),
        panels=panels,
        names=names,
        elapsed=True,
    )


def valve_levels(vessel: Vessel, entries: Sequence[Entry], units: Units) -> Iterator[Level]:
    """Yield the valve's setting over time, as the configuration and the journal have it."""
    wanted = setting = vessel.valve_pressure_bar
    changes: list[tuple[float | None, float | None]] = [(None, setting)]
    for entry in sorted(entries, key=lambda e: e.time_s):
        known = understand(entry.text)
        if known is None:
            continue
        if known.word is Word.VALVE_SET and known.number is not None:
            wanted = setting = known.number
        elif known.word is Word.VALVE_SHUT:
            setting = None
        elif known.word is Word.VALVE_OPENED:
            setting = wanted
        else:
            continue
        changes.append((entry.time_s, setting))
    for (since_s, bar), (until_s, _) in zip(changes, [*changes[1:], (None, None)], strict=True):
        if bar is not None:
            yield Level(
                value=units.shown_pressure(bar),
                text=f"valve {units.pressure_text(bar)}",
                role=Role.VALVE,
                from_s=since_s,
                to_s=until_s,
            )


def _pressure_panel(view: BatchView, span_s: tuple[float, float], units: Units, *, with_limit: bool) -> Panel:
    rated_bar = view.vessel.rated_pressure_bar
    shown = (view.pressure.time_s >= span_s[0]) & (view.pressure.time_s <= span_s[1])
    highest = float(view.pressure.value[shown].max()) if shown.any() else 0.0
    levels = [
        level
        for level in valve_levels(view.vessel, view.entries, units)
        if (level.to_s is None or level.to_s > span_s[0])
        and (level.from_s is None or level.from_s < span_s[1])
    ]
    rated = Level(
        value=units.shown_pressure(rated_bar),
        text=f"rated limit {units.pressure_text(rated_bar)}",
        role=Role.RATED,
        always=with_limit and highest > 0.4 * rated_bar,
    )
    slopes = tuple(
        Slope(
            from_s=slope.from_s,
            to_s=slope.to_s,
            from_value=units.shown_pressure(slope.from_value),
            to_value=units.shown_pressure(slope.to_value),
            text=slope.text,
            role=slope.role,
        )
        for slope in view.slopes
    )
    return Panel(
        title="Pressure",
        unit=units.pressure_label,
        decimals=units.pressure_decimals,
        series=(_series(view.pressure, units.shown_pressure(view.pressure.value), Role.PRESSURE),),
        levels=(rated, *levels),
        slopes=slopes,
        least_span=_span(units.shown_pressure, _LEAST_PRESSURE_BAR),
        believable=_believable(Kind.PRESSURE, units.shown_pressure),
    )


def _temperature_panel(view: BatchView, units: Units) -> Panel:
    wanted = view.vessel.yeast_temperature_c
    bands: tuple[Band, ...] = ()
    if wanted is not None:
        low, high = (units.shown_temperature(end) for end in wanted)
        bands = (Band(low=low, high=high, text=f"yeast {low:.0f} to {high:.0f} {units.temperature_label}"),)
    series = [_series(view.temperature, units.shown_temperature(view.temperature.value), Role.TEMPERATURE)]
    if len(view.air.time_s):
        air = _series(view.air, units.shown_temperature(view.air.value), Role.AIR)
        series.append(replace(air, name="Air"))
    return Panel(
        title="Temperature",
        unit=units.temperature_label,
        decimals=1,
        series=tuple(series),
        bands=bands,
        least_span=_span(units.shown_temperature, _LEAST_TEMPERATURE_C),
        believable=_believable(Kind.TEMPERATURE, units.shown_temperature),
        share=0.8,
    )


def _rate_panel(rates: Rates, none: str) -> Panel:
    return Panel(
        title="CO₂ production",
        unit="g/L a day",
        decimals=1,
        bars=(_bars(rates, Role.PRODUCTION),),
        least_span=_LEAST_RATE,
        share=0.5,
        empty=none,
    )


def _series(curve: Curve, shown: FloatArray, role: Role) -> Series:
    return Series(time_s=curve.time_s, value=shown, role=role, gap_s=curve.gap_s)


def _bars(rates: Rates, role: Role) -> Bars:
    return Bars(
        time_s=rates.time_s,
        value=rates.rate,
        low=rates.rate - 3 * rates.se,
        high=rates.rate + 3 * rates.se,
        role=role,
    )


def _span(shown: Callable[[float], float], least: float) -> float:
    return float(shown(least) - shown(0.0))


def _believable(kind: Kind, shown: Callable[[float], float]) -> tuple[float, float]:
    return shown(LOWEST[kind]), shown(HIGHEST[kind])


def _shifted(view: BatchView, by_s: float) -> BatchView:
    """Return the readings with time counted from `by_s`."""
    return BatchView(
        vessel=view.vessel,
        temperature=Curve(
            time_s=view.temperature.time_s - by_s, value=view.temperature.value, gap_s=view.temperature.gap_s
        ),
        pressure=Curve(
            time_s=view.pressure.time_s - by_s, value=view.pressure.value, gap_s=view.pressure.gap_s
        ),
        rates=Rates(time_s=view.rates.time_s - by_s, rate=view.rates.rate, se=view.rates.se),
    )


def _described(view: BatchView, span_s: tuple[float, float], units: Units) -> str:
    """Say in words what the lines show."""
    said = [
        _range_words("Pressure", view.pressure, span_s, units.pressure_text),
        _range_words("Temperature", view.temperature, span_s, units.temperature_text),
    ]
    if len(view.air.time_s):
        said.append(_range_words("Air", view.air, span_s, units.temperature_text))
    alarms = [m.text for m in view.marks if m.kind is MarkKind.ALARM and span_s[0] <= m.time_s <= span_s[1]]
    said.append(f"Alarms: {', '.join(alarms)}." if alarms else "No alarm.")
    if any(m.text == condition_words(Condition.FINISHED) for m in view.marks):
        said.append("Finished was told.")
    return " ".join(said)


def _range_words(what: str, curve: Curve, span_s: tuple[float, float], text: Callable[[float], str]) -> str:
    shown = (curve.time_s >= span_s[0]) & (curve.time_s <= span_s[1]) & np.isfinite(curve.value)
    if not shown.any():
        return f"{what}: no readings."
    values = curve.value[shown]
    return f"{what} from {text(float(values.min()))} to {text(float(values.max()))}, last {text(float(values[-1]))}."
