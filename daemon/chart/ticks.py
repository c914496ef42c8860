"""Where the lines of a scale stand: round numbers, and round times by the clock on the wall."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import time, timedelta

from ullage.daemon.local_time import LocalTime

_HOUR_S = 3600.0
_DAY_S = 86_400.0
_MINUTE_STEPS = (1, 5, 10, 15, 30)
_HOUR_STEPS = (1, 2, 3, 6, 12)
_DAY_STEPS = (1, 2, 5, 10, 30, 60, 120, 365)


@dataclass(frozen=True, slots=True)
class Tick:
    """A place on a scale, what stands beside it, and whether it begins a day."""

    at: float
    text: str
    major: bool = False


@dataclass(frozen=True, slots=True)
class NumberScale:
    """A scale from `low` to `high` with ticks within."""

    low: float
    high: float
    ticks: tuple[Tick, ...]


def number_scale(low: float, high: float, count: int) -> NumberScale:
    """Return a scale that holds low to high with a little room, and about `count` round ticks within."""
    if not (math.isfinite(low) and math.isfinite(high)):
        low, high = 0.0, 1.0
    if high - low < 1e-9 * max(abs(low), abs(high), 1.0):
        low, high = low - 0.5, high + 0.5
    room = 0.06 * (high - low)
    low, high = low - room, high + room
    step = _round_step((high - low) / max(count, 1))
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    if abs(step * 10**decimals - round(step * 10**decimals)) > 1e-6:
        decimals += 1
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    ticks = tuple(Tick(n * step, f"{n * step:.{decimals}f}") for n in range(first, last + 1))
    return NumberScale(low, high, ticks)


def _round_step(rough: float) -> float:
    """Return the smallest of 1, 2, 2.5, 5, 10 times a power of ten that is not below `rough`."""
    power = 10.0 ** math.floor(math.log10(rough))
    return next(f * power for f in (1.0, 2.0, 2.5, 5.0, 10.0) if f * power >= rough * (1 - 1e-9))


def time_ticks(start_s: float, end_s: float, count: int, zone: LocalTime) -> tuple[Tick, ...]:
    """Return ticks within start to end at round local times, at most about `count`; midnights carry the date."""
    span_s = max(end_s - start_s, 1.0)
    minutes = next((m for m in _MINUTE_STEPS if span_s / (60 * m) <= count), None)
    if minutes is not None:
        return _clock_ticks(start_s, end_s, minutes, zone)
    hours = next((h for h in _HOUR_STEPS if span_s / (_HOUR_S * h) <= count), None)
    if hours is not None:
        return _clock_ticks(start_s, end_s, hours * 60, zone)
    days = next((d for d in _DAY_STEPS if span_s / (_DAY_S * d) <= count), _DAY_STEPS[-1])
    midnights = [at for at in _midnights(start_s, end_s, zone) if start_s <= at <= end_s]
    return tuple(Tick(at, _date(at, zone), True) for at in midnights[::days])


def elapsed_ticks(start_s: float, end_s: float, count: int) -> tuple[Tick, ...]:
    """Return ticks of a scale that counts days from 0 s: `day 3`, or hours where it is short."""
    span_s = max(end_s - start_s, 1.0)
    days = next((d for d in (1, 2, 5, 10, 20, 50) if span_s / (_DAY_S * d) <= count), 100)
    if span_s < 2 * _DAY_S:
        hours = next((h for h in _HOUR_STEPS if span_s / (_HOUR_S * h) <= count), 12)
        return _even(start_s, end_s, hours * _HOUR_S, lambda at: f"{at / _HOUR_S:.0f} h")
    return _even(start_s, end_s, days * _DAY_S, lambda at: f"day {at / _DAY_S:.0f}")


def _even(start_s: float, end_s: float, step_s: float, text: Callable[[float], str]) -> tuple[Tick, ...]:
    first, last = math.ceil(start_s / step_s - 1e-9), math.floor(end_s / step_s + 1e-9)
    return tuple(Tick(n * step_s, text(n * step_s), True) for n in range(first, last + 1))


def _clock_ticks(start_s: float, end_s: float, minutes: int, zone: LocalTime) -> tuple[Tick, ...]:
    """Return ticks at every so many minutes of the local day; a day of 23 or 25 hours keeps its own times."""
    found: list[Tick] = []
    for midnight_s in _midnights(start_s, end_s, zone):
        day = zone.at(midnight_s + _HOUR_S).date()
        for minute in range(0, 24 * 60, minutes):
            at = zone.moment_s(day, time(minute // 60, minute % 60))
            shown = zone.at(at)
            skipped = (shown.hour, shown.minute) != divmod(minute, 60)  # clocks went forward over it
            if skipped or not start_s <= at <= end_s or (found and at <= found[-1].at):
                continue
            text = _date(at, zone) if minute == 0 else f"{minute // 60:02d}:{minute % 60:02d}"
            found.append(Tick(at, text, minute == 0))
    return tuple(found)


def _midnights(start_s: float, end_s: float, zone: LocalTime) -> Iterator[float]:
    """Yield local midnights from the last one at or before the start."""
    day = zone.at(start_s).date()
    while (at := zone.moment_s(day, time(0))) <= end_s:
        yield at
        day += timedelta(days=1)


def _date(at: float, zone: LocalTime) -> str:
    local = zone.at(at)
    return f"{local:%a} {local.day} {local:%b}"
