"""What a drop of a cycling valve is worth: the head space's gas alone, or that of beer and head space in balance.

It depends on how fast beer and gas exchange CO2, and that shows in how teeth bend (tooth_shape.py). Where it can't be
told, what decides is the sum: all drops so far can't have let off more than the wort can give.
"""

import math

from ullage.detectors.co2 import gas_g_per_l_bar
from ullage.detectors.extract import co2_to_come_g_per_l
from ullage.detectors.record import Record

MOST_RELEASED = 0.55
HEAD_SPACE_ERROR = 0.03
"""Error of the head space as stated, as a part of the beer's volume."""
BLIND_H = 1 / 30
"""Time after a drop in which medians of three minutes don't see how deep it went: what the beer gives back until then is
missing in the drop as it was measured."""
LEAST_TEETH = 4.0
SURE = 2.0
"""Standard errors by which teeth have to bend."""
FADING = 16.0
"""Bend that fading production alone may give, times age: it dies away no faster than with an eighth of the age."""
LEFT = 3.0
"""The same where what the teeth fell by from one to the next has been taken off."""
BEST_GRAVITY = 1.070
"""Original gravity assumed where none is stated, on the strong side."""
BEST_ATTENUATION = 0.86
"""Apparent attenuation that few beers pass (common practice: 70 to 85 %)."""


def drop_share(record: Record) -> float:
    """Return at most how much of the capacity in balance a drop is worth: by what the wort can give in all."""
    vessel, full = record.vessel, record.capacity_g_per_l_bar
    head_l = vessel.head_space_l + HEAD_SPACE_ERROR * vessel.beer_volume_l
    least = float(gas_g_per_l_bar(record.beer_c)) * head_l / vessel.beer_volume_l
    if bent(record):
        exchange_per_h, _ = record.valve.shape.exchange_per_h
        return min(least * math.exp(exchange_per_h * BLIND_H), full) / full
    let_off_bar = record.valve.teeth.let_off_bar
    gravity = vessel.original_gravity or BEST_GRAVITY
    all_of_it = float(co2_to_come_g_per_l(gravity, 1 + (gravity - 1) * (1 - BEST_ATTENUATION)))
    kept = full * max(record.bar - record.start_bar, 0.0)
    most = (all_of_it - kept) / max(let_off_bar, 1e-3)
    return min(max(most, least), full) / full


def worth_margin(record: Record) -> float:
    """Return by which factor the share was raised for a head space that is larger than stated; 1 where the wort decides."""
    vessel = record.vessel
    return 1 + HEAD_SPACE_ERROR * vessel.beer_volume_l / vessel.head_space_l if bent(record) else 1.0


def bent(record: Record) -> bool:
    """Tell whether teeth bend by more than fading production alone would bend them."""
    shape, age_h = record.valve.shape, max(record.age_h, 24.0)
    exchange_per_h, error = shape.exchange_per_h
    fading_per_h = min(FADING / age_h, shape.fading_per_h + LEFT / age_h)
    return shape.teeth >= LEAST_TEETH and exchange_per_h - SURE * error > fading_per_h


def released(record: Record, tail_h: float) -> float:
    """Return which part of what comes out is given off by the beer, while production fades with `tail_h`.

    Beer that holds r/k more than saturation while it makes r gives that off as r fades: r/(k·τ) beside r. The rate
    of exchange k shows in how teeth bend.
    """
    return min(exchange_h(record) / tail_h, MOST_RELEASED)


def exchange_h(record: Record) -> float:
    """Return at least how long beer takes to give off what it holds beyond saturation (1/k), h; 0 if unknown."""
    if not bent(record):
        return 0.0
    exchange_per_h, error = record.valve.shape.exchange_per_h
    gas = record.head_space_g_per_l_bar
    return (record.capacity_g_per_l_bar - gas) / gas / (exchange_per_h + 3 * error)
