"""How long a fermentation goes on, roughly: between what its rate says and what time says.

Neither is any good alone. The rate is too high in the first hours after the valve was shut, when the beer gives off what it
held, and the tail is known from above only. Yeasts at the same temperature differ by a factor of two. The geometric mean of
the two is within a factor of two in every other batch.
"""

import math

from ullage.detectors.production import Production
from ullage.detectors.record import Record

YOUNG_H = 48.0
"""Before this age a fermentation gets faster before it fades: the rate says nothing."""
AFTER_NINE_TENTHS = 0.4
"""Time that the last tenth takes, as a share of what the nine tenths before it take: by first order it leaves 4 % in 0.4 of
that and 1 % in all of it, and sigmoid kinetics fade faster."""
LEAST_OF_AGE = 0.15


def hours_to_go(
    record: Record, production: Production, tail_h: float, progress: float, left_g_per_l: float
) -> float:
    """Return about how many hours pass until no more than `left_g_per_l` is to come.

    `tail_h` is the slowest tail by the rates, `progress` the share of the time to nine tenths that has gone by.
    """
    tail_h = min(tail_h, max(record.age_h / 2, 12.0))
    by_wort = record.expected_co2_g_per_l * 10**-progress  # nine tenths gone at 1
    to_come = min(production.rate_g_per_l_day * tail_h / 24, by_wort) if record.age_h > YOUNG_H else by_wort
    by_rate_h = tail_h * math.log(max(to_come / left_g_per_l, 1.5))
    usual_h = record.age_h * ((1 + AFTER_NINE_TENTHS) / max(progress, 0.05) - 1)
    return math.sqrt(by_rate_h * max(usual_h, LEAST_OF_AGE * record.age_h, 1.0))
