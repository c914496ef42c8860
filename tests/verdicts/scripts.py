"""The table of all kinds of batches."""

from collections.abc import Callable

from tests.verdicts import faulty_kinds, sound_kinds
from tests.verdicts.draws import Draws
from tests.verdicts.recipe import Recipe

Script = Callable[[Draws], Recipe]

KINDS: dict[str, Script] = {
    f.__name__: f
    for f in (
        sound_kinds.smooth_test,
        sound_kinds.smooth_test_silent,
        sound_kinds.smooth_nobody,
        sound_kinds.cycling,
        sound_kinds.cycling_nobody_journal,
        sound_kinds.sealed_small,
        sound_kinds.lager_rise,
        sound_kinds.supersaturated,
        faulty_kinds.stall_cold,
        faulty_kinds.stall_unexplained,
        faulty_kinds.leak_before,
        faulty_kinds.leak_after,
        sound_kinds.late_start,
        faulty_kinds.never_starts,
        faulty_kinds.stuck_valve,
        faulty_kinds.sensor_frozen,
        sound_kinds.gap,
        faulty_kinds.early_chill,
        faulty_kinds.resume_on_warming,
        sound_kinds.cool_after_warm,
        sound_kinds.cider,
        sound_kinds.big_tank,
        sound_kinds.coarse_sensor,
        sound_kinds.air_probe,
        sound_kinds.valve_turned,
        sound_kinds.vented,
        sound_kinds.chill_after_end,
        sound_kinds.charged,
        sound_kinds.floating_gravity,
        sound_kinds.air_measured,
    )
}
"""Every kind by name."""
