"""A frozen sensor: the same value again and again, where its own noise must have moved it.

How long a run of equal readings may be depends on the sensor. With noise of sd σ and a step q, a true constant in the
middle of a step stays in that step with probability erf(q / (2·√2·σ)) a reading; a run of n equal readings happens by
chance with that probability to the n-th power. σ is learned from second differences (which a steady rise does not
touch) while the sensor is alive, q is the smallest change seen. A coarse, quiet converter may rightly repeat itself
for a day: for it the run proves nothing, and nothing is claimed.
"""

import math
from collections import deque
from dataclasses import dataclass, field

import numpy as np

from ullage.detectors.detector import Detector, Step
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.gate import NAMES
from ullage.detectors.samples import FloatArray, Kind
from ullage.detectors.vessel import Vessel

PAGE = 64
"""Readings to a page: enough for a spread, few enough to learn within hours at one reading a minute."""
PAGES_KEPT = 9
EDGE = 3
"""Readings of a page left out at each end when its span is taken: spikes."""
SECOND_DIFFERENCE_MEAN = 1.609
"""Mean of |second difference| with the largest tenth cut off, in units of σ, for Gaussian noise:
√6·E[|z|, |z| below its 90 % quantile] = 2.449·0.657 (computed)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FrozenSettings:
    """When a run of equal readings becomes an alarm."""

    chance: float = 1e-7
    """How improbable a run must be before it is told."""
    at_least_min: float = 30.0
    at_least_readings: int = 20


@dataclass(slots=True)
class _Channel:
    page: list[float] = field(default_factory=list)
    noise: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=PAGES_KEPT))
    value: float = math.nan
    run: int = 0
    run_start_s: float = 0.0
    needed: float = math.inf
    raised: bool = False


@dataclass(frozen=True, slots=True)
class _At:
    """Times of a sensor's rows, and the latest time of any row up to each."""

    time_s: FloatArray
    now_s: FloatArray


@dataclass(slots=True)
class _Pages:
    """(σ, q) of the pages that a block completes, how many readings came before it, how many pages are learned."""

    table: FloatArray
    before: int
    done: int = 0


class Frozen(Detector):
    """Raises when a sensor repeats one value longer than chance allows."""

    name = "frozen"
    Settings = FrozenSettings

    def __init__(self, vessel: Vessel, settings: FrozenSettings) -> None:
        super().__init__(vessel)
        self.settings = settings
        self._channels = {kind: _Channel() for kind in (Kind.TEMPERATURE, Kind.PRESSURE)}
        self.pressure_runs: deque[tuple[float, float]] = deque(maxlen=32)
        """From when to when the pressure sensor was known to be frozen; the end is inf while it lasts.

        Counted by the latest time stamp seen at that row, not from the run's own start: what is asked about a
        moment must not depend on whether more was already known when the question came.
        """
        self._now_s = -math.inf

    def look(self, step: Step) -> list[Finding]:
        """Take every plausible reading."""
        found: list[Finding] = []
        now_s = np.maximum.accumulate(np.concatenate(([self._now_s], step.raw.time_s)))
        for kind, channel in self._channels.items():
            mine = (step.raw.kind == kind) & step.plausible
            if mine.any():
                at = _At(step.raw.time_s[mine], now_s[1:][mine])
                found += self._take(kind, channel, at, step.raw.value[mine])
        self._now_s = float(now_s[-1])
        return found

    def _take(self, kind: Kind, channel: _Channel, at: "_At", value: FloatArray) -> list[Finding]:
        """Walk the runs of equal values; a run's verdict uses the noise known when it became worth a look."""
        found: list[Finding] = []
        changed = np.empty(len(value), np.bool_)
        changed[0] = value[0] != channel.value
        np.not_equal(value[1:], value[:-1], out=changed[1:])
        starts = np.flatnonzero(changed)
        head = int(starts[0]) if len(starts) else len(value)
        pages = self._pages(channel, value)
        if head:  # the run that was open before this block
            found += self._grow(kind, channel, pages, at, 0, head)
        if not len(starts):
            self._learn_until(channel, pages, len(value))
            return found
        found += self._end_run(kind, channel, at, head)
        lengths = np.diff(starts, append=len(value))
        worth = lengths >= self.settings.at_least_readings
        worth[-1] = True  # the last run goes on into the next block
        for start, length in zip(starts[worth].tolist(), lengths[worth].tolist(), strict=True):
            channel.value, channel.run, channel.run_start_s = float(value[start]), 0, float(at.time_s[start])
            channel.needed = math.inf
            found += self._grow(kind, channel, pages, at, start, start + length)
            if start + length < len(value):
                found += self._end_run(kind, channel, at, start + length)
        self._learn_until(channel, pages, len(value))
        return found

    def _grow(
        self, kind: Kind, channel: _Channel, pages: "_Pages", at: "_At", start: int, stop: int
    ) -> list[Finding]:
        """Add readings start to stop to the open run and judge it."""
        least = self.settings.at_least_readings
        before = channel.run
        channel.run += stop - start
        if before < least <= channel.run:
            self._learn_until(channel, pages, start + least - before)
            channel.needed = self._needed(channel)
        return self._judge(kind, channel, at, start, stop)

    @staticmethod
    def _learn_until(channel: _Channel, pages: "_Pages", row: int) -> None:
        """Learn from the pages that were complete once `row` readings of this block had come."""
        while pages.done < len(pages.table) and (pages.done + 1) * PAGE <= pages.before + row:
            noise, step = pages.table[pages.done].tolist()
            if math.isfinite(step):  # a page without any change teaches nothing
                channel.noise.append((noise, step))
            pages.done += 1

    def _pages(self, channel: _Channel, value: FloatArray) -> "_Pages":
        """Return the pages that this block completes, and keep the rest."""
        before = len(channel.page)
        if before + len(value) < PAGE:
            channel.page.extend(value.tolist())
            return _Pages(np.empty((0, 2)), before)
        joined = np.concatenate((np.array(channel.page), value))
        whole = len(joined) // PAGE * PAGE
        channel.page = joined[whole:].tolist()
        table = joined[:whole].reshape(-1, PAGE)
        first = np.abs(np.diff(table, axis=1))
        step = np.where(first > 0, first, np.inf).min(axis=1)
        second = np.sort(np.abs(np.diff(table, n=2, axis=1)), axis=1)[:, : int((PAGE - 2) * 0.9)]
        noise = second.mean(axis=1) / SECOND_DIFFERENCE_MEAN
        ordered = np.sort(table, axis=1)
        span = ordered[:, -EDGE - 1] - ordered[:, EDGE]
        noise[span < 1.5 * step] = (
            0.0  # two neighbouring steps: the least noise does that where the value lies between
        )
        return _Pages(np.column_stack((noise, step)), before)

    def _needed(self, channel: _Channel) -> float:
        """Return how many equal readings in a row are too many; inf if the sensor can't be judged."""
        if len(channel.noise) < 3:
            return math.inf
        step = min(q for _, q in channel.noise)
        spread = float(np.median([s for s, _ in channel.noise]))
        noise = 0.8 * math.sqrt(
            max(spread**2 - step**2 / 12, 0.0)
        )  # a step adds q²/12 of its own (uniform error)
        if noise <= 0:
            return math.inf
        same = math.erf(step / (2 * math.sqrt(2) * noise))
        if same >= 1:
            return math.inf
        return max(
            self.settings.at_least_readings, math.log(self.settings.chance) / math.log(max(same, 1e-9))
        )

    def _judge(self, kind: Kind, channel: _Channel, at: "_At", start: int, stop: int) -> list[Finding]:
        if channel.raised or channel.run < channel.needed:
            return []
        # the reading at which both the count and the time were reached
        late = at.time_s[start:stop] - channel.run_start_s >= self.settings.at_least_min * 60
        counted = channel.run - (stop - start) + np.arange(1, stop - start + 1) >= channel.needed
        hit = np.flatnonzero(late & counted)
        if not len(hit):
            return []
        channel.raised = True
        row = start + int(hit[0])
        at_s = float(at.time_s[row])
        minutes = (at_s - channel.run_start_s) / 60
        if kind == Kind.PRESSURE:
            self.pressure_runs.append((float(at.now_s[row]), math.inf))
        what = NAMES[kind]
        return [
            self.finding(
                at_s, Condition.SENSOR_FROZEN, State.RAISED, Priority.HIGH,
                f"The {what} sensor has repeated {channel.value:.4g} for {minutes:.0f} min, though its own noise "
                f"should have moved it. Take it for dead: check plug and port (ice, foam or hops can block it); until "
                f"it moves again nobody watches the {what} of this vessel.",
                subject=what, value=minutes, unit="min",
                evidence=(f"{math.ceil(channel.needed)} equal readings would be chance once in ten million",),
            )
        ]  # fmt: skip

    def _end_run(self, kind: Kind, channel: _Channel, at: "_At", row: int) -> list[Finding]:
        channel.run = 0
        channel.needed = math.inf
        if not channel.raised:
            return []
        channel.raised = False
        if kind == Kind.PRESSURE and self.pressure_runs:
            self.pressure_runs[-1] = (self.pressure_runs[-1][0], float(at.now_s[row]))
        what = NAMES[kind]
        return [
            self.finding(
                float(at.time_s[row]), Condition.SENSOR_FROZEN, State.CLEARED, Priority.HIGH,
                f"The {what} sensor moves again.", subject=what,
            )
        ]  # fmt: skip
