"""A cycling valve that has gone quiet: production has fallen to a small part of what the last drops let off.

It proves nothing, since drops can cease for other reasons: too small or too fast to be seen, taken up by cooling beer, or
a valve that has come to pass gas smoothly. It is a good reason to ask for a test, long before time alone would be one.
"""

import itertools

from ullage.detectors.cycle import CLIMBED, SEEN, SEEN_S
from ullage.detectors.medians import median
from ullage.detectors.record import BAR, Record
from ullage.detectors.teeth import least_seen_bar
from ullage.detectors.valve import Valve

QUIET_H = 24.0
LEAST_DROPS = 6


def gone_quiet(record: Record) -> tuple[str, ...]:
    """Return the evidence that a valve of clear drops lets nothing off any more, in beer warm enough; empty if it does."""
    valve = record.valve
    gap_s = clear_gap_s(valve)
    if valve.shut or gap_s is None:
        return ()
    quiet_h = (record.now_s - max(valve.gas_left_s, record.trusted_since_s)) / 3600
    if quiet_h < QUIET_H:
        return ()
    limits = record.vessel.yeast_temperature_c
    if limits is not None and record.beer_c < limits[0]:
        return ()
    if record.last(BAR) < _risen_bar(valve):
        return ()  # cooling or a leak has taken it there, or the valve passes gas steadily where it reseats
    before = f"{gap_s / 60:.0f} min" if gap_s < 5400 else f"{gap_s / 3600:.0f} h"
    return (
        f"the valve has let nothing off for {quiet_h:.0f} h; before that, every {before}",
        f"{record.age_h:.0f} h since the first gas",
    )


def _risen_bar(valve: Valve) -> float:
    """Return the least pressure of a tooth that has come to rest, bar."""
    drops = valve.usual_drops
    trough_bar = median(drop.trough_bar for drop in drops)
    return trough_bar + CLIMBED * median(drop.size_bar for drop in drops) - 2 * valve.frame_noise_bar


def clear_gap_s(valve: Valve) -> float | None:
    """Return how far apart a valve's usual drops are, s; None if they are too few, small or fast to be missed when they cease."""
    drops = valve.usual_drops
    if valve.noise.restless or len(drops) < LEAST_DROPS:
        return None
    gap_s = median(later.time_s - earlier.time_s for earlier, later in itertools.pairwise(drops))
    least_bar = least_seen_bar(valve.noise.minute_sd_bar, valve.noise.step_bar)
    if gap_s < SEEN_S or median(drop.size_bar for drop in drops) < SEEN * least_bar:
        return None
    return gap_s
