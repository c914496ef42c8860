"""A valve that opens and reseats, over beer that takes its time: streams of teeth with their truth.

Two states, written out anew: gas held by the beer and gas in the head space. The beer gives off k·(held − balance) an
hour; the valve drops to its reseat within one step. With `exchange_per_h` infinite, beer and gas are in balance always,
and a drop takes its share out of both. All invented.
"""

import math
from dataclasses import dataclass

import numpy as np

from ullage.detectors.samples import FloatArray, Kind, Samples
from ullage.detectors.vessel import Vessel

CELSIUS = 18.0
IN_BEER = 1.83
"""g of CO2 per litre of beer and bar: beer at 18 °C in printed carbonation charts, 5 % either way (common practice)."""
IN_GAS = 44.0095 / (0.0831446 * (273.15 + CELSIUS))
"""g of CO2 per litre of gas and bar: ideal gas."""
STEP_S = 60.0


@dataclass(frozen=True, slots=True)
class Teeth:
    """A stream with its truth, a row a minute: production in g/L/day and what has been let off, g/L."""

    samples: Samples
    rate_g_per_l_day: FloatArray
    let_off_g_per_l: FloatArray


def teeth(
    vessel: Vessel,
    *,
    days: float,
    rate_g_per_l_day: float,
    tail_h: float,
    exchange_per_h: float,
    opening_bar: float = 1.2,
    drop_bar: float = 0.12,
    noise_bar: float = 0.0005,
    start_s: float = 1_767_225_600.0,
    seed: int = 1,
) -> Teeth:
    """Return a batch whose production dies away from `rate_g_per_l_day` with `tail_h`, from just below the opening."""
    rng = np.random.default_rng(seed)
    n = int(days * 86_400 / STEP_S)
    rate = rate_g_per_l_day * np.exp(-np.arange(n) * STEP_S / 3600 / tail_h)
    head = vessel.head_space_l / vessel.beer_volume_l * IN_GAS
    absolute = opening_bar - drop_bar + vessel.air_pressure_bar
    balanced = math.isinf(exchange_per_h)
    held = IN_BEER * absolute + (0.0 if balanced else rate_g_per_l_day / 24 / exchange_per_h)
    bar, gone, let_off = np.empty(n), np.empty(n), 0.0
    for i in range(n):
        made = rate[i] * STEP_S / 86_400
        if balanced:
            absolute += made / (IN_BEER + head)
        else:
            moved = (held - IN_BEER * absolute) * -math.expm1(-exchange_per_h * STEP_S / 3600)
            held += made - moved
            absolute += moved / head
        if absolute - vessel.air_pressure_bar >= opening_bar:
            absolute -= drop_bar
            let_off += drop_bar * (head + (IN_BEER if balanced else 0.0))
        bar[i], gone[i] = absolute - vessel.air_pressure_bar, let_off
    time_s: FloatArray = start_s + np.arange(n, dtype=np.float64) * STEP_S
    pressure = Samples.of(Kind.PRESSURE, time_s, bar + noise_bar * rng.standard_normal(n))
    warmth = Samples.of(Kind.TEMPERATURE, time_s, np.full(n, CELSIUS))
    order = np.argsort(np.concatenate([time_s, time_s]), kind="stable")
    return Teeth(
        samples=Samples(
            time_s=np.concatenate([pressure.time_s, warmth.time_s])[order],
            kind=np.concatenate([pressure.kind, warmth.kind])[order],
            value=np.concatenate([pressure.value, warmth.value])[order],
        ),
        rate_g_per_l_day=rate,
        let_off_g_per_l=gone,
    )
