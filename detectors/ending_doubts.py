"""What speaks against an end although next to nothing seems to come: then the bound is not believed.

Gas that goes hides gas that is made; a reading that came to rest all at once may be frozen; a low rate may be a
beginning.
"""

from ullage.detectors.ending_bound import Bound, ToCome
from ullage.detectors.fading import abrupt
from ullage.detectors.production import Production
from ullage.detectors.proof import Proof
from ullage.detectors.record import BAR, Record

MUCH_G_PER_L = 8.0
"""CO2 once made after which a low rate can't be a beginning."""

HARDLY_MADE_G_PER_L, LAG_H = 1.0, 72.0
"""A sealed vessel that has filled by less gives off what racked beer brought along; so long yeast may keep it waiting."""
FASTER = 1.1
"""Teeth that come so much faster than over the stretch before are no fading production: a leak that closes, a warm spell."""
SHORT_H = 4.0
"""The least run that is measured is made of several teeth if it is shorter than this; one or two long ones scatter."""


def gas_goes(record: Record, production: Production, since_s: float) -> bool:
    """Tell whether gas may be going: then it may hide gas that is made."""
    return (
        production.high <= -0.1
        or production.rate_g_per_l_day <= _least_rate(record, production)
        or _losing(record, since_s)
    )


def suddenly_still(record: Record, production: Production) -> bool:
    """Tell whether a reading that does not move at all came to rest faster than yeast does: a frozen sensor?

    Nor is one believed that has not moved since before the valve was shut: at the end of a fermentation a shut vessel
    climbs by a few mbar an hour, and its noise and the fridge move every reading.
    """
    if record.valve.proof in (Proof.WORD, Proof.ABOVE) and record.moved_s <= record.valve.shut_s:
        return True
    if record.now_s - record.moved_s < 2 * 3600:
        return False
    tail_h = record.rates.tail_h(production)
    return tail_h is not None and tail_h < record.age_h / 6


def past_its_peak(record: Record, bound: Bound, to_come: ToCome) -> bool:
    """A low rate that was never higher may be a beginning; a scatter beyond the noise, a valve at work."""
    production, let_off = bound.measured, to_come.let_off
    filled_g_per_l = record.capacity_g_per_l_bar * (record.bar - record.start_bar)
    if record.valve.sealed and filled_g_per_l < HARDLY_MADE_G_PER_L and record.age_h < LAG_H:
        return False
    if record.valve.proof is Proof.CYCLE:
        if bound.whole_teeth and _faster(let_off.lately(record, production.end_s), production):
            return False
        if bound.whole_teeth and not record.valve.even_falls.followed and record.rates.rising(production):
            return False
        short = not bound.whole_teeth or let_off.stopped_short(record, record.age_h / 10)
        if short and abrupt(record, let_off, to_come.late_halves):
            return False
        if let_off.made_g_per_l(record) > MUCH_G_PER_L:
            return True
        if production.residual_sd_bar > 3 * record.valve.frame_noise_bar + 0.002:
            return False
    if record.valve.proof is Proof.COOLED:
        return True  # then the time that most worts take has gone by
    peak = max(record.rates.peak, _filling_g_per_l_day(record))
    return production.high <= 0.4 * peak if peak > 0 else record.age_h >= 48 and production.high < 0.15


def _filling_g_per_l_day(record: Record) -> float:
    """Return how fast the vessel filled, on the mean, from the first gas to where its valve holds: it was as fast at least.

    Behind a smooth valve that noise hides this may be all that was ever seen of the height.
    """
    held_s, activity_s, held_bar = record.valve.held.since_s, record.activity_s, record.valve.held.bar
    if held_s is None or held_bar is None or activity_s is None or held_s <= activity_s:
        return 0.0
    filled_bar = held_bar - float(record.since(activity_s)[0, BAR])
    return record.capacity_g_per_l_bar * filled_bar / ((held_s - activity_s) / 86_400)


def _faster(last: Production | None, production: Production) -> bool:
    """Tell whether the last few hours of short teeth surely let off more than the longer run that a bound counts."""
    if last is None or last.hours > SHORT_H:
        return False
    return last.rate_g_per_l_day - 2 * last.se_g_per_l_day > FASTER * production.rate_g_per_l_day


def _least_rate(record: Record, production: Production) -> float:
    """Return the rate below which gas surely goes, g/L/day: stricter where a valve may be at work."""
    return -production.se_g_per_l_day - 0.01 if record.valve.proof is Proof.CYCLE else -0.2


def _losing(record: Record, since_s: float) -> bool:
    """Tell whether gas has been going for the last hours: then production may be hidden by a leak."""
    lately = record.production_over(since_s, 8.0)
    return lately is not None and lately.rate_g_per_l_day + 2 * lately.se_g_per_l_day < -0.03
