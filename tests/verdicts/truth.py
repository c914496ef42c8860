"""What really happened in a batch, and what a judge of it may and should say."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from tests.verdicts.sensors import Span
from tests.verdicts.trigger import FloatArray
from ullage.detectors.finding import Condition
from ullage.detectors.samples import CodeArray, Entry, Samples
from ullage.detectors.vessel import Vessel

DONE_G_PER_L = 0.4
"""CO2 still to come at which a batch counts as finished, g/L (about 0.1 °P)."""

NEVER = float("inf")


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowed:
    """An alarm that the truth calls for, or at least excuses, between two moments (Unix seconds)."""

    condition: Condition
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlyTest:
    """The valve wound shut while the beer still works, from `from_s` to `to_s`, at this rate in g/L/day."""

    from_s: float
    to_s: float
    rate_g_per_l_day: float
    to_come_g_per_l: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """The truth of one batch. Moments in Unix seconds, infinite if it never came to that.

    Attributes
    ----------
    expects
        `finished`, `suspected` (nothing proves the end, so `finish-suspected` is the most that may be asked) or
        `none`.
    sound
        Nothing is wrong with the batch: whatever alarm it gets is a nuisance unless `allowed`.
    end_s, ninety_s, activity_s
        CO2 still to come falls to 0.4 g/L; nine tenths of it made; the first 0.05 g/L made.
    evidence_s
        From when on the data can prove the end: the valve shut for good, or a cycling valve all along.
    time_s, made_g_per_l, pressure_bar, beer_c, rate_g_per_l_day
        The course on an even grid of a few minutes, shape (n,): CO2 made, true gauge pressure, beer temperature.
    excused
        A spell in which nothing in the data speaks against the end though warming will bring more: `finished` there
        is no early call but must be taken back within 12 h of `resumed_s`.
    valve
        How gas is let go: `pop`, `smooth` or `none`.
    stage_s
        When each stage that it came to truly began (`stage_truth`).
    """

    expects: str
    sound: bool
    start_s: float
    end_s: float
    ninety_s: float
    evidence_s: float
    activity_s: float
    total_g_per_l: float
    time_s: FloatArray
    made_g_per_l: FloatArray
    pressure_bar: FloatArray
    beer_c: FloatArray
    early_tests: tuple[EarlyTest, ...] = ()
    allowed: tuple[Allowed, ...] = ()
    leak_per_h: float = 0.0
    leak_start_s: float = NEVER
    leak_visible_s: float = NEVER
    stall_s: float = NEVER
    stall_cold: bool = False
    frozen: Span | None = None
    gaps: tuple[Span, ...] = ()
    chilled_s: float = NEVER
    over_limit_s: float = NEVER
    excused: Span | None = None
    resumed_s: float = NEVER
    supersaturated: bool = False
    valve: str = ""
    stage_s: Mapping[str, float] = field(default_factory=dict)

    def co2_to_come(self, time_s: float) -> float:
        """Return the CO2 that can still be made at this moment, g/L, whether or not anything is being made."""
        return self.total_g_per_l - float(np.interp(time_s, self.time_s, self.made_g_per_l))

    def fraction_made(self, time_s: float) -> float:
        """Return the part of all CO2 that is made by this moment."""
        return float(np.interp(time_s, self.time_s, self.made_g_per_l)) / self.total_g_per_l

    def rate(self, time_s: float, over_h: float = 2.0) -> float:
        """Return the mean rate of production around this moment, g/L/day."""
        half = over_h * 1800
        low, high = np.interp([time_s - half, time_s + half], self.time_s, self.made_g_per_l)
        return float(high - low) * 24 / over_h

    def pressure(self, time_s: float) -> float:
        """Return the true gauge pressure at this moment, bar."""
        return float(np.interp(time_s, self.time_s, self.pressure_bar))


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """One simulated batch as a judge sees it, and its truth, which no judge may look at."""

    kind: str
    seed: int
    vessel: Vessel
    samples: Samples
    entries: tuple[Entry, ...]
    truth: Truth

    @property
    def time_s(self) -> FloatArray:
        """Unix seconds of the samples, rising, both quantities merged."""
        return self.samples.time_s

    @property
    def codes(self) -> CodeArray:
        """Codes of `ullage.detectors.samples.Kind`."""
        return self.samples.kind

    @property
    def value(self) -> FloatArray:
        """°C or bar gauge, as `codes` says."""
        return self.samples.value
