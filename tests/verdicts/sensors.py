"""What the instruments make of it: noise, steps, offsets, drift, spikes, gaps, frozen spells."""

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from tests.verdicts.draws import Draws
from tests.verdicts.trigger import FloatArray, Rows

Span = tuple[float, float]
"""From and to, hours since pitching in the generator, Unix seconds in the truth."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureSensor:
    """A transmitter. Errors in bar; `span_bar` over a converter of `bits`; `slow_part` of the noise is correlated."""

    noise_bar: float
    slow_part: float
    bits: int
    span_bar: float
    zero_bar: float
    gain: float
    zero_bar_per_k: float
    drift_bar_per_week: float
    spikes: int

    @property
    def step_bar(self) -> float:
        """One step of the converter: the span takes up four fifths of its range (0.5 to 4.5 V of 5 V)."""
        return self.span_bar / (0.8 * (1 << self.bits))


@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureSensor:
    """A digital thermometer; `air_part` is how much it sees of the air."""

    noise_c: float
    step_c: float
    offset_c: float
    air_part: float
    false_values: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Sampling:
    """When samples are taken. `interval_s` of pressure; temperature is `temperature_every` times slower."""

    interval_s: float
    temperature_every: int
    jitter: float
    lost_part: float
    gaps: tuple[Span, ...]


def sample_hours(
    sampling: Sampling, start_h: float, stop_h: float, draws: Draws, every: int = 1
) -> FloatArray:
    """Return the hours at which samples arrive, rising, gaps and lost ones left out."""
    step = sampling.interval_s * every / 3600
    n = int((stop_h - start_h) / step)
    hours = start_h + (np.arange(n) + draws.between(0, 1)) * step
    if sampling.jitter > 0:
        hours = hours + draws.rng.uniform(-0.45, 0.45, n) * step * sampling.jitter
    keep = draws.rng.random(n) >= sampling.lost_part
    for low, high in sampling.gaps:
        keep &= (hours < low) | (hours > high)
    # Whole milliseconds, as recorded logs carry them.
    return np.asarray(np.round(hours[keep] * 3.6e6) / 3.6e6)


def _single(where: Rows, count: int, draws: Draws) -> Rows:
    """Pick `count` rows out of those allowed, no two of them neighbours."""
    rows = np.sort(draws.rng.choice(where, min(count, len(where)), replace=False)) if len(where) else where
    return np.asarray(rows[np.diff(rows, prepend=-10) > 3], np.intp)


def read_pressure(
    sensor: PressureSensor,
    hours: FloatArray,
    true_bar: FloatArray,
    sensor_c: FloatArray,
    *,
    limit_bar: float,
    frozen: Span | None,
    draws: Draws,
) -> FloatArray:
    """Return what the sensor says, bar gauge, shape as `hours`. Spikes keep away from a true pressure near the limit."""
    n = len(hours)
    white = draws.rng.standard_normal(n)
    slow = lfilter([np.sqrt(1 - 0.98**2)], [1.0, -0.98], draws.rng.standard_normal(n))
    noise = sensor.noise_bar * (np.sqrt(1 - sensor.slow_part) * white + np.sqrt(sensor.slow_part) * slow)
    zero = sensor.zero_bar + sensor.zero_bar_per_k * (sensor_c - 20) + sensor.drift_bar_per_week * hours / 168
    value = true_bar * sensor.gain + zero + noise
    value = np.minimum(np.round(value / sensor.step_bar) * sensor.step_bar, sensor.span_bar * 1.1)
    if frozen is not None:
        stuck = np.flatnonzero((hours >= frozen[0]) & (hours < frozen[1]))
        if len(stuck):
            value[stuck] = value[stuck[0]]
    calm = np.flatnonzero(true_bar < 0.85 * limit_bar)
    if frozen is not None:
        calm = calm[(hours[calm] < frozen[0] - 1) | (hours[calm] > frozen[1] + 1)]
    for row in _single(calm, sensor.spikes, draws).tolist():
        wild = draws.pick(
            [limit_bar * draws.between(1.02, 1.5), sensor.span_bar * 1.1, draws.between(0, 3), -0.3]
        )
        value[row] = np.round(wild / sensor.step_bar) * sensor.step_bar
    return np.asarray(np.round(value, 5))


def read_temperature(
    sensor: TemperatureSensor, hours: FloatArray, beer_c: FloatArray, air_c: FloatArray, draws: Draws
) -> FloatArray:
    """Return what the thermometer says, °C, shape as `hours`."""
    mixed = beer_c + sensor.air_part * (air_c - beer_c) + sensor.offset_c
    value = mixed + sensor.noise_c * draws.rng.standard_normal(len(hours))
    value = np.round(value / sensor.step_c) * sensor.step_c
    for row in _single(np.arange(len(hours)), sensor.false_values, draws).tolist():
        value[row] = draws.pick([85.0, -127.0])
    return np.asarray(value)
