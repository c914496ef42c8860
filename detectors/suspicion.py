"""Passive evidence for the end while the valve may be passing gas: enough to ask for a test, never for a verdict."""

import math

import numpy as np

from ullage.detectors.medians import median
from ullage.detectors.record import BAR, BEER, TIME, Record
from ullage.detectors.vessel import Vessel

NINETY_PERCENT_H = ((8.0, 561.0), (10.5, 377.0), (12.0, 299.0), (16.0, 165.0), (20.0, 94.0), (25.0, 60.0))
"""Hours until 90 % of the CO2 is made, by beer temperature: Engasser's growth model with the constants of Gee &
Ramirez, integrated (16 °C and below within the data, above extrapolated; 25 °C by the same Q10)."""


def pace_per_h(celsius: float) -> float:
    """Return the share of the way to 90 % that an hour at this temperature makes."""
    at, hours = zip(*NINETY_PERCENT_H, strict=True)
    return 1 / math.exp(float(np.interp(celsius, at, np.log(hours))))


class Suspicion:
    """Adds up what a held pressure gives away."""

    def __init__(self, vessel: Vessel) -> None:
        self.vessel = vessel
        self._progress = 0.0
        self._last_s: float | None = None
        self._needed = 1.0

    def refuted(self, now_s: float) -> None:
        """A test has shown production: ask again only when a third more time has passed."""
        self._needed = max(self._progress, 0.3) * 1.3

    def weigh(self, record: Record) -> tuple[str, ...]:
        """Return the evidence once it suffices, else nothing."""
        now_s = record.now_s
        if self._last_s is not None:
            self._progress += pace_per_h(record.beer_c) * min((now_s - self._last_s) / 3600, 24.0)
        self._last_s = now_s
        if record.valve.held_bar is None or self._progress < self._needed:
            return ()
        rows = record.since(now_s - 12 * 3600)
        if len(rows) < 36:
            return ()
        third = len(rows) // 3
        change = median(rows[-third:, BAR].tolist()) - median(rows[:third, BAR].tolist())
        if change > max(0.01, 3 * record.valve.frame_noise_bar):
            return ()
        if record.valve.hours_since_gas_left(now_s) < (48 if record.valve.cycles else 8):
            return ()
        hours = (now_s - record.began_s) / 3600
        mean_c = float(np.nanmean(rows[:, BEER]))
        return (
            f"held or falling slowly for {(rows[-1, TIME] - rows[0, TIME]) / 3600:.0f} h",
            f"{hours:.0f} h since the first gas, now at {mean_c:.1f} °C: most worts are done by then",
        )
