"""The cycle of a valve that pops, by drops and climbs written out here."""

from collections.abc import Sequence

import pytest

from ullage.detectors.cycle import Cycle, alike, opening
from ullage.detectors.noise import PressureNoise
from ullage.detectors.teeth import Drop, Teeth

MINUTE_S = 60.0
PEAK_BAR, TROUGH_BAR = 1.2, 1.1
TOOTH_MINUTES = 120
NOISE_BAR = 0.001


def cycle_after(teeth: int, climbs: Sequence[float]) -> tuple[Cycle, list[Drop], float]:
    """Return a cycle that has seen so many even teeth and then `climbs`, minute by minute; its drops; the time (s)."""
    found = Teeth()
    cycle = Cycle(found, PressureNoise())
    time_s = 0.0
    for _ in range(teeth):
        for minute in range(TOOTH_MINUTES):
            cycle.point(TROUGH_BAR + (PEAK_BAR - TROUGH_BAR) * minute / TOOTH_MINUTES)
        time_s += TOOTH_MINUTES * MINUTE_S
        found.drops.append(Drop(time_s, PEAK_BAR, TROUGH_BAR))
        cycle.end_tooth(counted=True)
    for bar in climbs:
        cycle.point(bar)
    return cycle, list(found.drops), time_s + len(climbs) * MINUTE_S


def test_drops_that_are_alike_are_the_valves_own() -> None:
    """One vent by hand among them is none of the valve's; two drops alone tell nothing."""
    drops = [Drop(hour * 3600.0, 1.2 + 0.001 * hour, 1.1) for hour in range(6)]
    vent = Drop(2.5 * 3600.0, 1.2, 0.7)
    assert alike([*drops[:3], vent, *drops[3:]], NOISE_BAR) == drops
    assert alike(drops[:2], NOISE_BAR) == []


def test_the_opening_is_known_as_well_as_drops_agree() -> None:
    """Peaks that scatter by 20 mbar leave a margin of 30; those that do not, twice a frame's noise."""
    even = [Drop(hour * 3600.0, 1.2, 1.1) for hour in range(6)]
    uneven = [Drop(hour * 3600.0, 1.2 + 0.02 * (hour % 2), 1.1) for hour in range(6)]
    assert opening(even, NOISE_BAR) == pytest.approx((1.2, 0.002))
    assert opening(uneven, NOISE_BAR)[1] == pytest.approx(0.03)


def test_a_tooth_that_climbs_after_others_is_a_shut_valves() -> None:
    """Half way up, 60 minutes after its drop."""
    climb = [TROUGH_BAR + 0.05 * minute / 60 for minute in range(60)]
    cycle, drops, time_s = cycle_after(9, climb)
    assert cycle.tooth_resolved
    assert cycle.tooth_points == TOOTH_MINUTES
    assert cycle.reseated(drops, time_s, climb[-1])


def test_a_tooth_that_stays_at_its_foot_proves_nothing() -> None:
    """Four hours without a climb: the valve may pass gas steadily where it reseats."""
    cycle, drops, time_s = cycle_after(9, [TROUGH_BAR] * 240)
    assert not cycle.reseated(drops, time_s, TROUGH_BAR)


def test_flat_teeth_are_not_seen_as_ones() -> None:
    """Between drops that come faster than readings the pressure looks flat: nothing was followed, nothing is proved."""
    cycle, drops, time_s = cycle_after(1, [TROUGH_BAR + 0.0005] * 20)
    cycle.end_tooth(counted=True)
    assert not cycle.tooth_resolved
    assert not cycle.reseated(drops, time_s, TROUGH_BAR)


def test_teeth_are_added_up_as_far_back_as_they_were_slow_and_seen() -> None:
    """All nine of two hours each; a fall that goes on is none of its own and ends no count."""
    cycle, drops, _ = cycle_after(9, [])
    assert cycle.since_s(drops) == drops[0].time_s
    cycle.end_tooth(counted=False)
    assert cycle.since_s(drops) == drops[0].time_s
