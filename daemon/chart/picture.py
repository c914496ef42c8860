"""What a chart shows, as values: panels over one axis of time, marks and spans; numbers are in shown units already."""

import math
from dataclasses import dataclass, field
from enum import StrEnum

from ullage.daemon.local_time import LocalTime
from ullage.detectors.samples import FloatArray


class Role(StrEnum):
    """What a line or an area stands for; its look follows from it, and a word always stands beside it."""

    PRESSURE = "pressure"
    TEMPERATURE = "temperature"
    AIR = "air"
    """The air around a vessel, beside the temperature of what is in it."""
    PRODUCTION = "production"
    OTHER = "other"
    """The second batch of a comparison."""
    YEAST = "yeast"
    RATED = "rated"
    VALVE = "valve"
    FIT = "fit"
    SHUT = "shut"
    WINDOW = "window"


class MarkKind(StrEnum):
    """What kind of thing happened, in the order of urgency, least first."""

    JOURNAL = "journal"
    NOTICE = "notice"
    OVER = "over"
    """An alarm that is over."""
    ALARM = "alarm"


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Readings against time, shape (n,) each; times do not fall."""

    time_s: FloatArray
    value: FloatArray
    role: Role
    gap_s: float
    """A longer pause breaks the line."""
    name: str = ""
    """Of a line beside the one that the panel is called after."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bars:
    """Values with an interval each, shape (n,): rates of production."""

    time_s: FloatArray
    value: FloatArray
    low: FloatArray
    high: FloatArray
    role: Role


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A range of values that is right."""

    low: float
    high: float
    text: str
    role: Role = Role.YEAST


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """A value that means something, over all of the time or a part of it."""

    value: float
    text: str
    role: Role
    from_s: float | None = None
    to_s: float | None = None
    always: bool = False
    """Whether the scale must reach it; else a word says that it lies outside."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """A straight line that a fit found."""

    from_s: float
    to_s: float
    from_value: float
    to_value: float
    text: str
    role: Role = Role.FIT


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One quantity against time."""

    title: str
    unit: str
    decimals: int
    series: tuple[Series, ...] = ()
    """The first lies on top of the others."""
    bars: tuple[Bars, ...] = ()
    bands: tuple[Band, ...] = ()
    levels: tuple[Level, ...] = ()
    slopes: tuple[Slope, ...] = ()
    least_span: float = 0.0
    """The scale is never finer than this, so that noise does not look like news."""
    believable: tuple[float, float] = (-math.inf, math.inf)
    """Values outside widen no scale: their line leaves the panel instead."""
    share: float = 1.0
    """Height in proportion to the other panels."""
    empty: str = "no readings here"
    """What is written when there is nothing to show."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Something that happened at a moment; `number` is the one of the list beside the chart."""

    time_s: float
    kind: MarkKind
    text: str
    number: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A stretch of time that means something, drawn behind all panels."""

    from_s: float
    to_s: float
    text: str
    role: Role


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A whole chart."""

    title: str
    description: str
    """What a person who can't see it is told."""
    start_s: float
    end_s: float
    panels: tuple[Panel, ...]
    marks: tuple[Mark, ...] = ()
    spans: tuple[Span, ...] = ()
    zone: LocalTime = field(default_factory=LocalTime)
    names: tuple[str, ...] = ()
    """Of two batches over each other: the one drawn in full, the one drawn as `Role.OTHER`."""
    elapsed: bool = False
    """Whether time counts from 0 s (days from pitching) rather than by the calendar."""
    now_s: float | None = None
    """Drawn as a line where it lies within."""
