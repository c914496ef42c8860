"""The slide of a smooth valve's level as the flow fades: how far it has come, and whether it is at rest.

A valve that passes gas stands above where it reseats by an amount that falls with the flow. What a hand does moves the level as
well, and is no flow: while the valve is wound shut the pressure climbs far above it, and a valve that is turned out takes it
down at once and for good, where a vent is made up for within hours.
"""

from collections import deque

import numpy as np

from ullage.detectors.record import BAR, TIME, Record
from ullage.detectors.samples import FloatArray
from ullage.detectors.slopes import upper_median

CHUNK_S = 6 * 3600.0
SLIDE_BAR = 0.008
"""A slide of the held level that is surely more than a valve's creep or a sensor's drift of a few days."""
MOST_SLIDE_BAR = 0.3
"""No fading flow lowers the held level by more: the chill, a leak or a hand does (over-lift of small valves: 0.1 to 0.2
bar, common practice)."""
SLIDE_DONE = 0.25
"""Share of the whole slide that may still have happened in the last twelve hours."""
PLAIN_SLIDE_BAR = 0.03
"""A slide that no creep of a valve makes: it shows the flow itself, and its rest is asked about sooner."""
AT_REST, LEAST_REST_H = 0.15, 12.0
"""Share of a plain slide that the last quarter of the age, half a day at least, may still show: a slow one goes on for long."""
OPENED_S = 3600.0
"""So long after a test the pressure comes down to the level again."""
FOR_GOOD = 0.5
"""A pressure that never again came within such a share of a drop of where it was before: the valve holds less."""
TESTS_KEPT = 8


class Slide:
    """Keeps when the valve was wound shut, and reads the slide from the pressure in between."""

    def __init__(self) -> None:
        self._tests: deque[tuple[float, float]] = deque(maxlen=TESTS_KEPT)

    def take(self, record: Record) -> None:
        """Note a test that has ended."""
        tested_s = record.valve.tested_s
        if tested_s is not None and tested_s not in self._tests:
            self._tests.append(tested_s)

    def levels(self, record: Record) -> list[float]:
        """Return medians of the pressure over six hours each, oldest first, the last ending now, as the valve held it."""
        held_s = record.valve.held.since_s
        if held_s is None:
            return []
        rows = self._untested(record.since(max(held_s, record.valve.changed_s, self._turned_out_s(record))))
        if not len(rows):
            return []
        age = ((record.now_s - rows[:, TIME]) // CHUNK_S).astype(np.intp)
        return [
            upper_median(rows[age == chunk, BAR])
            for chunk in range(int(age[0]), -1, -1)
            if (age == chunk).any()
        ]

    def _untested(self, rows: FloatArray) -> FloatArray:
        """Return those of the record's rows at which the valve was at its setting."""
        time_s = rows[:, TIME]
        free = np.ones(len(rows), np.bool_)
        for shut_s, opened_s in self._tests:
            free &= (time_s < shut_s) | (time_s > opened_s + OPENED_S)
        return rows[free]

    def _turned_out_s(self, record: Record) -> float:
        """Return when the level last fell at once and for good, s; minus infinity if it never did."""
        valve = record.valve
        if valve.cycles:
            return -np.inf
        for drop in reversed(valve.teeth.drops):
            # what a frozen sensor shows once it moves again has come about in between
            others_s = (record.trusted_since_s, *(opened_s for _, opened_s in self._tests))
            if drop.size_bar < PLAIN_SLIDE_BAR or any(
                abs(drop.time_s - at_s) < OPENED_S for at_s in others_s
            ):
                continue
            after = self._untested(record.since(drop.time_s + OPENED_S))[:, BAR]
            if len(after) and drop.peak_bar - float(after.max()) > FOR_GOOD * drop.size_bar:
                return drop.time_s + OPENED_S
        return -np.inf


def slid(record: Record, slide_bar: float) -> tuple[str, ...]:
    """Return the evidence in words."""
    return (
        f"the held pressure has slid by {slide_bar * 1000:.0f} mbar as the flow faded, and stands still now",
        f"{record.age_h:.0f} h since the first gas",
    )


def slid_to_rest(record: Record, levels: list[float]) -> tuple[str, ...]:
    """Return the evidence that a smooth valve's level has slid plainly and come to rest, in beer warm enough; empty if not."""
    valve, limits = record.valve, record.vessel.yeast_temperature_c
    if valve.cycles or (limits is not None and record.beer_c < limits[0]) or len(levels) < 4:
        return ()
    # a test or a vent in between lifts or lowers one or two of them
    smooth = [*(sorted(levels[at : at + 3])[1] for at in range(len(levels) - 2)), levels[-1]]
    back = max(round(max(record.age_h / 4, LEAST_REST_H) * 3600 / CHUNK_S), 2)
    slide_bar = max(smooth[:-1]) - smooth[-1]
    lately_bar = smooth[max(len(smooth) - 1 - back, 0)] - smooth[-1]
    noise_bar = valve.frame_noise_bar
    plain = slide_bar > max(PLAIN_SLIDE_BAR, 6 * noise_bar, 1.2 * valve.noise.step_bar)
    at_rest = lately_bar <= AT_REST * slide_bar + noise_bar
    return slid(record, slide_bar) if plain and at_rest and slide_bar <= MOST_SLIDE_BAR else ()
