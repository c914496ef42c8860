"""A frozen sensor: the same value again and again, where its own noise must have moved it.

How long a run of equal readings may be depends on the sensor: its noise and its step, learned while it is alive
(`noise_pages`), say how improbable a run is. A coarse, quiet converter may rightly repeat itself for a day: for it the run
proves nothing, and nothing is claimed. Nor is noise always the sensor's own: gas that passes a valve makes some, and takes it
along. So a run must be three times as long as the longest that was no fault. And a sensor that smooths its readings or shows
them rounded repeats itself for an hour more often than independent noise would: such a run is believed for no end of
fermentation, but told only after two hours, of a thermometer after four.

However quiet it is, a thermometer shows its fridge's swing, and a pressure the yeast's gas, or the fridge's swing when that
is over: one that rests eight or ten times as long as it ever has stands still, or its fridge does. Only a step wider than that swing
hides it, and then nothing is claimed. Of a pressure that is said
soon only near a level at which it has been seen for half a day: one that has just climbed to its valve may rest there for the
first time, in the middle of a converter's step.
"""

import math
from collections import deque
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ullage.detectors.detector import Detector, Step
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.gate import NAMES
from ullage.detectors.noise_pages import OwnNoise, Pages
from ullage.detectors.samples import FloatArray, Kind
from ullage.detectors.vessel import Vessel

FEW_RUNS = 8
"""More long runs than these in one block, and its pages are worked out together."""
SOON_S = 3600.0
"""A sensor that moves again so soon after it was called frozen was not."""
SEEN = 5
"""Shorter runs are not looked at: they are luck, and a sensor is taken to have rested for as long."""
RESTS_LONG_S, RESTS_LONG_TIMES = 2 * 3600.0, 2.0
"""What has rested for so long rests for days in the middle of a step, held by a smooth valve: so many times as long is asked of it."""
DOUBT_MIN = 30.0
"""So long a run that chance forbids is no longer believed, though it is told later."""
WIDE_STEP = {Kind.TEMPERATURE: 0.3, Kind.PRESSURE: 0.015}
"""°C and bar: a fridge's swing of a kelvin or less, which moves the head space's gas by 7 to 8 mbar/K (gas law) and beer by some
tenths of it, need not move a reading of wider steps at all."""
MOVES = {
    Kind.TEMPERATURE: "the swing of a fridge moves every thermometer",
    Kind.PRESSURE: "gas that is made or let off, or the swing of a fridge, moves every pressure",
}
"""Why a sensor that rests is not believed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FrozenSettings:
    """When a run of equal readings becomes an alarm."""

    chance: float = 1e-7
    """How improbable a run must be before it is told."""
    at_least_min: float = 120.0
    at_least_temperature_min: float = 240.0
    """Beer changes slowly, and most thermometers smooth: nothing is lost by waiting."""
    at_least_readings: int = 20
    rest_temperature_h: float = 6.0
    rest_pressure_h: float = 2.75
    rest_times: float = 10.0
    rest_pressure_times: float = 8.0
    """A sensor that has rested for so many hours, and so many times as long as ever before, is told of. Of a pressure
    sooner: it is the one that warns."""
    rest_temperature_known_h: float = 24.0
    rest_pressure_known_h: float = 12.0
    """How long it must have been known for that, a pressure within `near_bar` of where it rests."""
    near_bar: float = 0.05
    rest_new_h: float = 36.0
    """So many hours a pressure may rest at a level that it has just come to."""
    chance_times: float = 3.0
    """A run that chance forbids is told only if it is so many times as long as the longest that was no fault."""


@dataclass(slots=True)
class _Channel:
    noise: OwnNoise = field(default_factory=OwnNoise)
    value: float = math.nan
    run: int = 0
    run_start_s: float = 0.0
    needed: float = math.inf
    doubted: bool = False
    """Whether the open run is one that chance forbids, told or not."""
    raised: bool = False
    raised_s: float = 0.0
    first_s: float = math.nan
    longest_s: float = 0.0
    """Longest run of equal readings so far that was no fault."""
    level: float = math.nan
    level_s: float = math.inf
    """Where whole pages have been of late, and since when: within `near_bar`."""
    lowest: float = math.inf
    longest_low: tuple[float, float] = (0.0, math.nan)
    """The same for what was the lowest value of all at the time, with that value."""
    rested_s: float = 0.0
    """Longest run of all that was no fault, of a few readings too."""


@dataclass(frozen=True, slots=True)
class _At:
    """Times of one sensor's readings in a block; worked out for the few that are asked about."""

    raw_s: FloatArray
    """Time of every row of the block."""
    row: NDArray[np.intp]
    """The block's row of each reading of this sensor."""
    before_s: float
    """Latest time of any row before the block."""

    def time_s(self, reading: int) -> float:
        """Return the time of a reading."""
        return float(self.raw_s[self.row[reading]])

    def times_s(self, start: int, stop: int) -> FloatArray:
        """Return the times of readings start to stop."""
        times_s: FloatArray = self.raw_s[self.row[start:stop]]
        return times_s

    def now_s(self, reading: int) -> float:
        """Return the latest time of any row up to a reading."""
        return max(self.before_s, float(self.raw_s[: self.row[reading] + 1].max()))


class Frozen(Detector):
    """Raises when a sensor repeats one value longer than chance allows."""

    name = "frozen"
    Settings = FrozenSettings

    def __init__(self, vessel: Vessel, settings: FrozenSettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self._channels = {kind: _Channel() for kind in (Kind.TEMPERATURE, Kind.PRESSURE)}
        self.pressure_runs: deque[tuple[float, float]] = deque(maxlen=32)
        """From when to when the pressure sensor was not believed; the end is inf while it lasts.

        Counted by the latest time stamp seen at that row, not from the run's own start: what is asked about a
        moment must not depend on whether more was already known when the question came.
        """
        self._now_s = -math.inf

    def look(self, step: Step) -> list[Finding]:
        """Take every plausible reading."""
        found: list[Finding] = []
        if not len(step.raw):
            return found
        for kind, channel in self._channels.items():
            row = np.flatnonzero((step.raw.kind == kind) & step.plausible)
            if len(row):
                at = _At(step.raw.time_s, row, self._now_s)
                found += self._take(kind, channel, at, step.raw.value[row])
        self._now_s = max(self._now_s, float(step.raw.time_s.max()))
        return found

    def _take(self, kind: Kind, channel: _Channel, at: _At, value: FloatArray) -> list[Finding]:
        """Walk the runs of equal values; a run's verdict uses the noise known when it became worth a look."""
        found: list[Finding] = []
        if math.isnan(channel.first_s):
            channel.first_s = at.time_s(0)
        changed = np.empty(len(value), np.bool_)
        changed[0] = value[0] != channel.value
        np.not_equal(value[1:], value[:-1], out=changed[1:])
        starts = np.flatnonzero(changed)
        head = int(starts[0]) if len(starts) else len(value)
        lengths = np.diff(starts, append=len(value))
        worth = lengths >= self.settings.at_least_readings
        pages = channel.noise.pages(value)
        if np.count_nonzero(worth) > FEW_RUNS:
            pages.measure()
        if head:  # the run that was open before this block
            channel.lowest = min(channel.lowest, float(value[0]))
            found += self._grow(kind, channel, pages, at, 0, head)
        if not len(starts):
            self._learn_until(channel, pages, at, len(value))
            return found
        found += self._end_run(kind, channel, at, head)
        worth[-1] = True  # the last run goes on into the next block
        rested_s = self._rested_s(at, starts, lengths, worth)
        before = 0
        for start, length, short_s in zip(
            starts[worth].tolist(), lengths[worth].tolist(), rested_s.tolist(), strict=True
        ):
            channel.rested_s = max(channel.rested_s, short_s)
            channel.value, channel.run, channel.run_start_s = float(value[start]), 0, at.time_s(start)
            channel.needed = math.inf
            channel.lowest = min(channel.lowest, float(value[before : start + 1].min()))
            before = start + 1
            found += self._grow(kind, channel, pages, at, start, start + length)
            if start + length < len(value):
                found += self._end_run(kind, channel, at, start + length)
        self._learn_until(channel, pages, at, len(value))
        return found

    @staticmethod
    def _rested_s(
        at: _At, starts: NDArray[np.intp], lengths: NDArray[np.intp], worth: NDArray[np.bool_]
    ) -> FloatArray:
        """Return how long the longest of the runs before each that is worth a look was, of those too short for one, s."""
        short = np.flatnonzero((lengths[:-1] >= SEEN) & ~worth[:-1])
        begun, over = at.row[starts[short]], at.row[starts[short + 1]]
        longest_s = np.maximum.accumulate(np.append(0.0, at.raw_s[over] - at.raw_s[begun]))
        of_each: FloatArray = longest_s[np.searchsorted(short, np.flatnonzero(worth))]
        return of_each

    def _grow(
        self, kind: Kind, channel: _Channel, pages: Pages, at: _At, start: int, stop: int
    ) -> list[Finding]:
        """Add readings start to stop to the open run and judge it."""
        least = self.settings.at_least_readings
        before = channel.run
        channel.run += stop - start
        if before < least <= channel.run:
            self._learn_until(channel, pages, at, start + least - before)
            channel.needed = max(least, channel.noise.improbable(self.settings.chance))
        return self._judge(kind, channel, at, start, stop)

    def _learn_until(self, channel: _Channel, pages: Pages, at: _At, row: int) -> None:
        """Learn from the pages that were complete once `row` readings of this block had come."""
        complete = pages.complete(row)
        if complete > pages.done:
            for level, reading in pages.levels(complete):
                if not abs(level - channel.level) <= self.settings.near_bar:
                    channel.level, channel.level_s = level, at.time_s(reading)
            channel.noise.learn(pages, complete)

    def _judge(self, kind: Kind, channel: _Channel, at: _At, start: int, stop: int) -> list[Finding]:
        """Doubt the open run, or tell of it, from the reading on at which readings start to stop made it too long."""
        lasts_s = at.times_s(start, stop) - channel.run_start_s
        can_rest = self._can_rest(kind, channel)
        if channel.raised or (channel.run < channel.needed and not can_rest):
            return []
        count = channel.run - (stop - start) + np.arange(1, stop - start + 1)
        # luck at this pace counts as a rest before
        rested_s = np.maximum(max(channel.rested_s, 60.0), SEEN * lasts_s / np.maximum(count - 1, 1))
        # the reading at which both the count and the time were reached
        counted = count >= channel.needed
        by_chance = (lasts_s >= self._least_s(channel, self._at_least_min(kind))) & counted
        told = by_chance | (can_rest & (lasts_s >= self._rest_s(kind, channel, rested_s)))
        if not channel.doubted:
            doubt_min = min(DOUBT_MIN, self._at_least_min(kind))
            doubts = np.flatnonzero(told | (lasts_s >= self._least_s(channel, doubt_min)) & counted)
            if not len(doubts):
                return []
            channel.doubted = True
            if kind == Kind.PRESSURE:
                self.pressure_runs.append((at.now_s(start + int(doubts[0])), math.inf))
        hit = np.flatnonzero(told)
        if not len(hit):
            return []
        at_s = at.time_s(start + int(hit[0]))
        channel.raised, channel.raised_s = True, at_s
        rested_min = float(rested_s[hit[0]]) / 60
        return [self._told(kind, channel, at_s, rested_min, by_chance=bool(by_chance[hit[0]]))]

    def _told(
        self, kind: Kind, channel: _Channel, at_s: float, rested_min: float, *, by_chance: bool
    ) -> Finding:
        what, minutes = NAMES[kind], (at_s - channel.run_start_s) / 60
        if by_chance:
            why = "its own noise should have moved it"
            evidence = (
                f"by the noise that it has shown, {math.ceil(channel.needed)} equal readings in a row come at most once in "
                f"{1 / self.settings.chance:,.0f}"
            )
        else:
            why = f"it has never rested for more than {rested_min:.0f} min before"
            evidence = MOVES[kind]
        return self.finding(
            at_s, Condition.SENSOR_FROZEN, State.RAISED, Priority.HIGH,
            f"The {what} sensor has repeated {channel.value:.4g} for {minutes:.0f} min, though {why}. "
            "Take it for dead: check plug and port (ice, foam or hops can block it); until "
            f"it moves again nobody watches the {what} of this vessel.",
            subject=what, value=minutes, unit="min",
            evidence=(evidence,),
        )  # fmt: skip

    def _at_least_min(self, kind: Kind) -> float:
        s = self.settings
        return s.at_least_temperature_min if kind == Kind.TEMPERATURE else s.at_least_min

    def _least_s(self, channel: _Channel, least_min: float) -> float:
        """Return how long a run must last that chance forbids: noise may cease with the flow that made it.

        A longest rest at the lowest value of all is no measure: there a converter of a gauge sensor is at its end.
        """
        low_s, value = channel.longest_low
        own_s = max(channel.longest_s, low_s if value > channel.lowest else 0.0)
        return max(least_min * 60, self.settings.chance_times * own_s)

    def _can_rest(self, kind: Kind, channel: _Channel) -> bool:
        """Tell whether this sensor is known for long enough, and fine enough, to say how long it may rest."""
        s = self.settings
        known_h = s.rest_pressure_known_h if kind == Kind.PRESSURE else s.rest_temperature_known_h
        return (
            channel.run_start_s - channel.first_s >= known_h * 3600 and channel.noise.step <= WIDE_STEP[kind]
        )

    def _rest_s(self, kind: Kind, channel: _Channel, rested_s: FloatArray) -> FloatArray:
        """Return how long a rest is too long for what has never rested for longer than `rested_s`, s."""
        s = self.settings
        rest_h, times = s.rest_temperature_h, s.rest_times
        if kind == Kind.PRESSURE:
            rest_h, times = s.rest_pressure_h, s.rest_pressure_times
            at_home = abs(channel.value - channel.level) <= s.near_bar
            if not at_home or channel.run_start_s - channel.level_s < s.rest_pressure_known_h * 3600:
                rest_h = s.rest_new_h
        often = np.where(rested_s > RESTS_LONG_S, RESTS_LONG_TIMES, 1.0)
        longest_s: FloatArray = np.maximum(rest_h * 3600, times * often * rested_s)
        return longest_s

    def _end_run(self, kind: Kind, channel: _Channel, at: _At, row: int) -> list[Finding]:
        """The sensor has moved: keep how long it rested, if that was no fault."""
        soon = channel.raised and at.time_s(row) - channel.raised_s < SOON_S  # it only rested
        no_fault = soon or not channel.raised
        lasted_s = at.time_s(row) - channel.run_start_s
        if channel.run >= SEEN and no_fault:
            channel.rested_s = max(channel.rested_s, lasted_s)
        if channel.run >= self.settings.at_least_readings and no_fault:
            if channel.value > channel.lowest:
                channel.longest_s = max(channel.longest_s, lasted_s)
            else:
                channel.longest_low = max(channel.longest_low, (lasted_s, channel.value))
        channel.run = 0
        channel.needed = math.inf
        if channel.doubted and kind == Kind.PRESSURE:
            self.pressure_runs[-1] = (self.pressure_runs[-1][0], at.now_s(row))
        channel.doubted = False
        if not channel.raised:
            return []
        channel.raised = False
        what = NAMES[kind]
        return [
            self.finding(
                at.time_s(row), Condition.SENSOR_FROZEN, State.CLEARED, Priority.HIGH,
                f"The {what} sensor moves again.", subject=what,
            )
        ]  # fmt: skip
