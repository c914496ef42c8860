"""The end by gravity: samples that stand still, where nothing in pressure or temperature speaks against it.

Unchanged within 0.001 over 48 h is the trade's own proof (common practice). It is none in the lag, when nothing has
moved yet, nor in beer that is too cold for its yeast, which merely sleeps, nor far above where worts end.
"""

import math

from ullage.detectors.extract import plato_from_sg
from ullage.detectors.record import Record

LEAST_ATTENUATION = 0.65
"""Apparent attenuation below which a gravity that stands still is a stall: worts end at 70 to 85 % (common practice)."""
USUAL_ATTENUATION = 0.72
"""Apparent attenuation with which an end that came early is believed."""
LATE_GRAVITY = 1.02
"""Stands in for it where no original gravity is known."""
LEAST_AGE_H = 48.0
SAMPLE_S = 36 * 3600.0
"""A sample older than this does not speak against an end that pressure shows."""
GOING_G_PER_L_DAY = 0.3
"""Production, measured in a shut vessel, that is surely above this contradicts."""
SLACK_C = 0.3


def gravity_evidence(record: Record, now_s: float) -> str | None:
    """Return why fermentation is over by its gravity; None if it is not known to be."""
    if record.activity_s is None or record.age_h < LEAST_AGE_H:
        return None
    found = record.gravity.stands(now_s)
    latest = record.gravity.latest
    if found is None or latest is None or not _ends_there(record, latest.gravity):
        return None
    limits = record.vessel.yeast_temperature_c
    if limits is not None and not limits[0] - SLACK_C <= record.beer_c:
        return None
    if record.valve.shut and math.isfinite(record.valve.shut_s):
        recent = record.production_over(max(record.valve.shut_s, now_s - 12 * 3600.0), 12.0)
        if recent is not None and recent.hours >= 2 and recent.low > GOING_G_PER_L_DAY:
            return None
    return f"{found.text} It is {latest.gravity:.4f} now."


def stood_since_s(record: Record) -> float:
    """Return since when gravity has stood where it stands now, Unix seconds; now if it does not."""
    found, latest = record.gravity.stands(record.now_s), record.gravity.latest
    if found is None or latest is None:
        return record.now_s
    return max(latest.time_s - found.span_h * 3600, record.began_s)


def too_high(record: Record) -> float | None:
    """Return the apparent attenuation by a recent sample if it is far below where worts end; None if nothing says so."""
    latest = record.gravity.latest
    original = record.vessel.original_gravity
    if latest is None or original is None or record.now_s - latest.time_s > SAMPLE_S:
        return None
    reached = _attenuation(original, latest.gravity)
    return reached if reached < LEAST_ATTENUATION else None


def stands_too_high(record: Record) -> float | None:
    """Return the apparent attenuation at which gravity has come to rest, if that is a stall; None if it is not known."""
    if record.age_h < LEAST_AGE_H or record.gravity.stands(record.now_s) is None:
        return None
    return too_high(record)


def far_enough(record: Record) -> bool:
    """Tell whether a recent sample is where worts end, of an original gravity that is known."""
    latest, original = record.gravity.latest, record.vessel.original_gravity
    return (
        latest is not None
        and original is not None
        and record.now_s - latest.time_s <= SAMPLE_S
        and _attenuation(original, latest.gravity) >= USUAL_ATTENUATION
    )


def _ends_there(record: Record, gravity: float) -> bool:
    original = record.vessel.original_gravity
    return (
        gravity <= LATE_GRAVITY if original is None else _attenuation(original, gravity) >= LEAST_ATTENUATION
    )


def _attenuation(original: float, gravity: float) -> float:
    extract = plato_from_sg(original)
    return (extract - plato_from_sg(gravity)) / extract
