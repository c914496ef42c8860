"""A chill begun too early: gas surely still came when the brewer wrote it down.

Yeast goes to rest in the cold with sugar left, and goes on wherever the beer warms up again, in keg or bottle too. What a
valve has let off unseen stays unknown: here only counts what surely was made.
"""

from dataclasses import replace

from ullage.detectors.let_off import LetOff
from ullage.detectors.production import Production
from ullage.detectors.proof import Proof
from ullage.detectors.record import Record

FRESH_S = 6 * 3600.0
"""A rate that was measured longer ago is not that of now."""


def made_at_the_chill(record: Record, let_off: LetOff) -> Production | None:
    """Return production of late at the least, g/L a day: by slope in a vessel that is shut, else by a cycling valve's teeth.

    None if nothing of the last hours can be measured. Drops count as the head space's gas alone, their least worth.
    """
    if record.valve.proof in (Proof.SEALED, Proof.WORD):
        return record.production_over(record.valve.shut_s, FRESH_S / 3600)
    last = let_off.last(record)
    if last is None or record.now_s - last.end_s > FRESH_S:
        return None
    least = record.head_space_g_per_l_bar / record.capacity_g_per_l_bar
    return replace(
        last,
        rate_g_per_l_day=least * last.rate_g_per_l_day,
        se_g_per_l_day=least * last.se_g_per_l_day,
    )
