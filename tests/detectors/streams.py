"""Streams for tests of detectors: batches by a few lines of gas balance, and ways to feed them.

The balance here is written out anew and keeps beer and head space in equilibrium at once, with no exchange in between:
enough to know the truth of what a detector is shown. All batches are invented.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ullage.detectors import registry
from ullage.detectors.detector import Detector
from ullage.detectors.finding import Condition, Finding
from ullage.detectors.samples import Entry, FloatArray, Kind, Samples
from ullage.detectors.vessel import Vessel
from ullage.detectors.watch import VesselWatch

START_S = 1_767_225_600.0
"""2026-01-01 00:00 UTC: a large epoch, and the beginning of a frame."""
HOUR_S = 3600.0
DAY_S = 86400.0

SEALED = Vessel(
    name="sealed",
    total_volume_l=23.0,
    beer_volume_l=20.0,
    rated_pressure_bar=3.0,
    yeast_temperature_c=(16.0, 22.0),
    original_gravity=1.048,
)
VALVED = replace(SEALED, name="valved", valve_pressure_bar=1.2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stream:
    """Samples in order of arrival, and journal entries with the row before which each was made."""

    samples: Samples
    entries: tuple[tuple[int, Entry], ...] = ()


def merged(*parts: Samples) -> Samples:
    """Return the parts as one block, sorted by time, order kept where times are equal."""
    time_s = np.concatenate([part.time_s for part in parts])
    order = np.argsort(time_s, kind="stable")
    return Samples(
        time_s=time_s[order],
        kind=np.concatenate([part.kind for part in parts])[order],
        value=np.concatenate([part.value for part in parts])[order],
    )


def pressure(time_s: ArrayLike, bar: ArrayLike) -> Samples:
    """Return pressure samples."""
    return Samples.of(Kind.PRESSURE, np.asarray(time_s, float), np.asarray(bar, float))


def temperature(time_s: ArrayLike, celsius: ArrayLike) -> Samples:
    """Return temperature samples."""
    return Samples.of(Kind.TEMPERATURE, np.asarray(time_s, float), np.asarray(celsius, float))


def noisy(
    at_h: FloatArray,
    bar: FloatArray,
    celsius: FloatArray | float,
    *,
    seed: int,
    noise_bar: float = 0.002,
    start_s: float = START_S,
) -> Samples:
    """Return readings of both quantities at these hours after `start_s`, each with its sensor's noise."""
    noise = np.random.default_rng(seed).standard_normal((2, len(at_h)))
    time_s = start_s + at_h * HOUR_S
    return merged(
        pressure(time_s, bar + noise_bar * noise[0]), temperature(time_s + 20, celsius + 0.03 * noise[1])
    )


def every(interval_s: float, hours: float, start_s: float = START_S) -> FloatArray:
    """Return evenly spaced times."""
    return start_s + np.arange(0.0, hours * HOUR_S, interval_s)


def stream(samples: Samples, *entries: tuple[float, str]) -> Stream:
    """Return a stream with each entry (time, text) at its place."""
    placed = [
        (int(np.searchsorted(samples.time_s, time_s)), Entry(time_s=time_s, text=text))
        for time_s, text in sorted(entries)
    ]
    return Stream(samples=samples, entries=tuple(placed))


# -- batches --------------------------------------------------------------------------------------------------------


def capacity_g_per_l_bar(vessel: Vessel, celsius: float) -> float:
    """Return g of CO2 per L of beer and bar of a shut vessel, beer and gas in balance, gas ideal."""
    kelvin = celsius + 273.15
    in_beer = 10 * math.exp(2617.25 / kelvin - 10.73797)
    in_gas = 44.0095 / (0.083144626 * kelvin)
    return in_beer + in_gas * (vessel.total_volume_l / vessel.beer_volume_l - 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """A batch to simulate; hours count from the start of the record.

    A valve `opening_bar` with a `blow_down_bar` of zero passes smoothly; without an opening pressure the vessel is
    sealed. `shut` lists hours from which to which the valve is wound shut; `leak_per_h` is the share of the gauge
    pressure that is lost an hour from hour `leak_from_h` on.
    """

    vessel: Vessel
    hours: float = 240.0
    total_g_per_l: float = 38.0
    lag_h: float = 10.0
    tail_h: float = 20.0
    opening_bar: float | None = None
    blow_down_bar: float = 0.0
    shut: tuple[tuple[float, float], ...] = ()
    leak_per_h: float = 0.0
    leak_from_h: float = math.inf
    celsius: Callable[[FloatArray], FloatArray] = lambda hours: np.full(len(hours), 19.0)
    stop_h: float = math.inf
    """No CO2 is made after this hour."""

    def made_g_per_l(self, hours: FloatArray) -> FloatArray:
        """Return the CO2 made up to each hour: after the lag a rise that fades with `tail_h`."""
        age = np.maximum(np.minimum(hours, self.stop_h) - self.lag_h, 0.0)
        return np.asarray(self.total_g_per_l * (1 - (1 + age / self.tail_h) * np.exp(-age / self.tail_h)))

    def run(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return hours, bar gauge and °C, one row a minute."""
        hours = np.arange(0.0, self.hours, 1 / 60)
        celsius = np.asarray(self.celsius(hours), float)
        made = self.made_g_per_l(hours)
        air = self.vessel.air_pressure_bar
        content = capacity_g_per_l_bar(self.vessel, float(celsius[0])) * air
        bar = np.empty(len(hours))
        last = float(made[0])
        for i, (hour, degrees, total) in enumerate(
            zip(hours.tolist(), celsius.tolist(), made.tolist(), strict=True)
        ):
            capacity = capacity_g_per_l_bar(self.vessel, degrees)
            content += total - last
            last = total
            gauge = content / capacity - air
            if hour >= self.leak_from_h:
                gauge -= max(gauge, 0.0) * self.leak_per_h / 60
            if (
                self.opening_bar is not None
                and gauge > self.opening_bar
                and not any(a <= hour < b for a, b in self.shut)
            ):
                gauge = self.opening_bar - self.blow_down_bar
            content = (gauge + air) * capacity
            bar[i] = gauge
        return hours, bar, celsius

    def samples(self, *, seed: int = 1, noise_bar: float = 0.002, step_bar: float = 0.0) -> Samples:
        """Return readings of both quantities, one a minute, with noise and the step of a converter."""
        rng = np.random.default_rng(seed)
        hours, bar, celsius = self.run()
        bar = bar + noise_bar * rng.standard_normal(len(bar))
        if step_bar:
            bar = np.round(bar / step_bar) * step_bar
        celsius = np.round((celsius + 0.03 * rng.standard_normal(len(celsius))) / 0.0625) * 0.0625
        time_s = START_S + hours * HOUR_S
        return merged(pressure(time_s, bar), temperature(time_s + 20, celsius))


# -- feeding --------------------------------------------------------------------------------------------------------


def watch_of(vessel: Vessel, kinds: Sequence[type[Detector]] | None = None) -> VesselWatch:
    """Return a watch with all registered detectors, or with the given kinds only."""
    if kinds is None:
        return VesselWatch(vessel)
    whole = registry.REGISTERED
    try:
        registry.REGISTERED = tuple(kinds)
        return VesselWatch(vessel)
    finally:
        registry.REGISTERED = whole


def feed(watch: VesselWatch, given: Stream, cuts: Iterable[int] = ()) -> list[Finding]:
    """Feed a stream in blocks that end at each cut and each entry; return the findings in the order told."""
    found: list[Finding] = []
    rows = len(given.samples)
    stops = sorted({*cuts, *(row for row, _ in given.entries), rows} - {0})
    waiting = list(given.entries)
    at = 0
    for stop in [0, *stops]:
        if stop > at:
            found += watch.update(given.samples.cut(at, stop))
            at = stop
        while waiting and waiting[0][0] <= at:
            found += watch.enter(waiting.pop(0)[1])
    return found


def verdicts(vessel: Vessel, given: Stream | Samples, cuts: Iterable[int] = ()) -> list[Finding]:
    """Return what a fresh watch finds in a stream, and in the ten minutes after it."""
    if isinstance(given, Samples):
        given = Stream(samples=given)
    watch = watch_of(vessel)
    found = feed(watch, given, cuts)
    found += watch.tick(float(given.samples.time_s.max()) + 600)
    return found


def in_order(findings: Iterable[Finding]) -> list[Finding]:
    """Return findings in an order that doesn't depend on when they were noticed."""
    return sorted(findings, key=lambda f: (f.time_s, f.condition, f.subject, f.state, f.text))


def of(findings: Iterable[Finding], *conditions: Condition) -> list[Finding]:
    """Return the findings of the given conditions."""
    return [finding for finding in findings if finding.condition in conditions]


def hours_in(finding: Finding) -> float:
    """Return the hour of the record at which something was found."""
    return (finding.time_s - START_S) / HOUR_S


# -- damage ---------------------------------------------------------------------------------------------------------


def keep(samples: Samples, mask: NDArray[np.bool_]) -> Samples:
    """Return the rows where the mask is true."""
    return Samples(time_s=samples.time_s[mask], kind=samples.kind[mask], value=samples.value[mask])


def silenced(samples: Samples, kind: Kind, from_h: float, to_h: float) -> Samples:
    """Return samples without one quantity between two hours."""
    hours = (samples.time_s - START_S) / HOUR_S
    return keep(samples, ~((samples.kind == kind) & (hours >= from_h) & (hours < to_h)))


def frozen(samples: Samples, kind: Kind, from_h: float, to_h: float) -> Samples:
    """Return samples in which one quantity repeats its value between two hours."""
    hours = (samples.time_s - START_S) / HOUR_S
    rows = np.flatnonzero((samples.kind == kind) & (hours >= from_h) & (hours < to_h))
    value = samples.value.copy()
    if len(rows):
        value[rows] = value[rows[0]]
    return replace(samples, value=value)


def spiked(samples: Samples, rng: np.random.Generator, share: float) -> Samples:
    """Return samples with single wild values, some of them beyond all physics."""
    value = samples.value.copy()
    rows = np.flatnonzero(rng.random(len(value)) < share)
    value[rows] = rng.choice(np.array([85.0, -127.0, 9.9, 2.0, -3.0, 0.0]), len(rows))
    return replace(samples, value=value)


def repeated(samples: Samples, rng: np.random.Generator, share: float) -> Samples:
    """Return samples with some rows delivered twice in a row."""
    times = 1 + (rng.random(len(samples)) < share)
    return Samples(
        time_s=np.repeat(samples.time_s, times),
        kind=np.repeat(samples.kind, times),
        value=np.repeat(samples.value, times),
    )


def jumbled(samples: Samples, rng: np.random.Generator, share: float, rows: int) -> Samples:
    """Return samples of which a share arrives up to `rows` rows too late."""
    delay = np.where(rng.random(len(samples)) < share, rng.integers(1, rows + 1, len(samples)), 0)
    order = np.argsort(np.arange(len(samples)) + delay + 0.5 * (delay > 0), kind="stable")
    return Samples(time_s=samples.time_s[order], kind=samples.kind[order], value=samples.value[order])
