"""Whether the content falls wherever the probe sits, while it matters most where that is.

After a chill a probe in the beer and one in its air tell of very different beers: taken for air, beer at 5 °C is still
thought to be at 12, and a pressure that fell because the cold beer takes up gas looks like a leak. Only a brewer who has said
where the probe sits settles it; until then, for a day, a loss has to show by both readings.
"""

import math

import numpy as np

from ullage.detectors.co2 import capacity_g_per_l_bar
from ullage.detectors.medians import median
from ullage.detectors.record import BAR, CELSIUS, TIME, Record
from ullage.detectors.samples import FloatArray
from ullage.detectors.thermometer import BEER_LAG_H
from ullage.detectors.vessel import Probe

DAY_S = 86_400.0
CHILLED_K = 3.0
"""A probe so far below where it was within a day speaks of a chill, whether or not anybody wrote it down."""
SWING = 12
"""Frames over which a fridge's swing is averaged away: two hours."""
MARGIN = 0.02
"""Share of the content that must be missing."""
LATEST, FIRST = 3, 0.125
"""Frames, and part of the stretch, by which content is taken now and before."""


def falls_either_way(record: Record, rows: FloatArray) -> bool:
    """Tell whether content falls over these rows with the probe read as in beer and as in air, where both are possible."""
    probe_c = rows[:, CELSIUS]
    if record.vessel.probe is not Probe.UNKNOWN or np.isnan(probe_c).all() or not _chilled(record):
        return True
    known = np.isfinite(probe_c)
    in_beer = np.interp(rows[:, TIME], rows[known, TIME], probe_c[known])
    absolute = rows[:, BAR] - (record.zero_bar or 0.0) + record.vessel.air_pressure_bar
    before = max(round(FIRST * len(rows)), LATEST)
    for beer_c in (in_beer, _lagged(rows[:, TIME], in_beer)):
        content = capacity_g_per_l_bar(record.vessel, beer_c) * absolute
        reference = median(content[:before].tolist())
        if median(content[-LATEST:].tolist()) > (1 - MARGIN) * reference:
            return False
    return True


def _chilled(record: Record) -> bool:
    """Tell whether a chill began within a day, by the journal or by the probe."""
    if record.chill_s is not None and record.now_s - record.chill_s < DAY_S:
        return True
    probe_c = record.since(record.now_s - DAY_S)[:, CELSIUS]
    probe_c = probe_c[np.isfinite(probe_c)]
    if len(probe_c) < 2 * SWING:
        return False
    means = np.convolve(probe_c, np.full(SWING, 1 / SWING), "valid")
    return float(means.max()) - median(probe_c[-LATEST:].tolist()) > CHILLED_K


def _lagged(time_s: FloatArray, air_c: FloatArray) -> FloatArray:
    """Return the beer that follows this air, from its mean on."""
    beer_c = np.empty(len(air_c))
    last_s, last_c = float(time_s[0]), float(air_c[: 2 * SWING].mean())
    for row, (at_s, celsius) in enumerate(zip(time_s.tolist(), air_c.tolist(), strict=True)):
        last_c += (celsius - last_c) * -math.expm1((last_s - at_s) / 3600 / BEER_LAG_H)
        beer_c[row], last_s = last_c, at_s
    return beer_c
