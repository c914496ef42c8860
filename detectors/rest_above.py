"""A valve wound shut without a word at the end: pressure climbs above its held level, ever slower, and comes to rest.

What lets it climb is gas that the beer held beyond saturation, passing into a head space that nothing leaves: fast at
first, then within hours slower and slower. A valve that was only turned up looks otherwise: production fills the head
space as steadily as before, until the new setting stops it all at once.
"""

import numpy as np

from ullage.detectors.medians import median
from ullage.detectors.record import BAR, TIME, Record

LEAST_H = 8.0
LONGEST_H = 72.0
LEAST_CLIMB_BAR = 0.03
REST_H = 3.0
AT_REST = 0.06
"""Share of the whole climb that may fall into the last hours."""
BEGUN, ENDING = 0.6, 0.9
"""An exponential takes 0.9 of its time constant to the first of these shares and 1.4 more to the second; a straight climb
half as long again."""


def rests_above(record: Record, since_s: float) -> bool:
    """Tell whether the climb that began at a moment (s) has slowed down as gas given off does, and rests high."""
    rows = record.since(since_s)
    hours = (record.now_s - since_s) / 3600
    if len(rows) < 12 or not LEAST_H <= hours <= LONGEST_H or record.valve.gas_left_s > since_s:
        return False
    bars = np.convolve(rows[:, BAR], np.ones(3) / 3, mode="valid")
    at_h = (rows[1:-1, TIME] - since_s) / 3600
    end_bar = median(bars[-6:].tolist())
    climb_bar = end_bar - float(bars[0])
    noise_bar = record.valve.frame_noise_bar
    if climb_bar < max(LEAST_CLIMB_BAR, 8 * noise_bar):
        return False
    lately = bars[at_h >= hours - REST_H]
    if abs(end_bar - float(lately[0])) > AT_REST * climb_bar + 2 * noise_bar:
        return False
    begun_h, ending_h = (
        float(at_h[np.argmax(bars >= bars[0] + share * climb_bar)]) for share in (BEGUN, ENDING)
    )
    return ending_h - begun_h > begun_h
