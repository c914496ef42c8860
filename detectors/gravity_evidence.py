"""Gravity over days: samples by hand and a floating sensor's stream, and whether they stand still.

Unchanged within 0.001 over 48 h is the trade's sign of the end (common practice). Samples by hand are few and each
counts; a floating sensor speaks every few minutes, with foam on it and noise, so its readings are put together: means of
ten minutes, and of those the median of each six hours. One that stands alone in six hours is a sample by hand. Samples of different instruments are never compared
(`gravity_samples`). Bounded: what is older than eight days, or more than 64 values of an instrument, is forgotten.
"""

import math
from collections import deque

from ullage.detectors.gravity import Instrument
from ullage.detectors.gravity_samples import GravitySample, Stability, stable
from ullage.detectors.medians import median
from ullage.detectors.samples import Kind, Samples

BIN_S = 6 * 3600.0
PART_S = 600.0
KEPT = 64
KEPT_S = 8 * 86400.0
HAND_HOURS = 48.0
FLOAT_HOURS = 96.0
"""A floating sensor's medians stand within 0.001 through a slow tail of 0.4 g/L CO2 a day: it has to stand longer."""
FALLS = 0.0004
"""Fall of a floating sensor's medians in that time, as one line, that is no end: 0.1 °P, as much as may still come."""
FRESH_S = 12 * 3600.0
"""A newest sample older than this says nothing about now."""
BELIEVABLE = (0.985, 1.2)


class GravityEvidence:
    """Feed samples in order of time; ask whether gravity stands.

    `offer` and `absorb` let a stream that comes in blocks be taken only as far as the other detectors have come, so
    that how it was cut changes nothing.
    """

    def __init__(self) -> None:
        self._samples: deque[GravitySample] = deque(maxlen=KEPT * 2)
        self._offered: deque[tuple[float, float]] = deque()
        self._bin: int | None = None
        self._start_s: float | None = None
        """Where the six hours are counted from: the first reading's half hour."""
        self._parts: dict[int, tuple[int, float]] = {}
        """Of the six hours that run now: number and sum of each ten minutes' readings."""

    def offer(self, samples: Samples) -> None:
        """Take readings of a floating sensor, to be looked at when `absorb` has come to their time."""
        rows = samples.kind == Kind.GRAVITY
        if rows.any():
            times, values = samples.time_s[rows].tolist(), samples.value[rows].tolist()
            self._offered.extend(sorted(zip(times, values, strict=True)))

    def absorb(self, until_s: float) -> None:
        """Take what was offered, up to `until_s`."""
        late = []
        while self._offered:
            time_s, gravity = self._offered.popleft()
            if time_s > until_s:
                late.append((time_s, gravity))
                break
            self.take(time_s, gravity, Instrument.FLOAT)
        self._offered.extendleft(late)
        if (
            self._bin is not None
            and self._start_s is not None
            and until_s >= self._start_s + (self._bin + 1) * BIN_S
        ):
            self._close()
            self._bin += 1

    def take(self, time_s: float, gravity: float, instrument: Instrument = Instrument.HYDROMETER) -> None:
        """Take one sample, specific gravity."""
        if not (math.isfinite(gravity) and BELIEVABLE[0] <= gravity <= BELIEVABLE[1]):
            return
        if instrument is not Instrument.FLOAT:
            self._keep(GravitySample(time_s=time_s, gravity=gravity, instrument=instrument))
            return
        if self._start_s is None:
            self._start_s = time_s // 1800.0 * 1800.0
        number = int((time_s - self._start_s) // BIN_S)
        if self._bin is not None and number > self._bin:
            self._close()
        if self._bin is None or number >= self._bin:
            self._bin = number
            count, total = self._parts.get(int(time_s // PART_S), (0, 0.0))
            self._parts[int(time_s // PART_S)] = (count + 1, total + gravity)

    def _close(self) -> None:
        """Put the six hours that are over together."""
        assert self._bin is not None
        assert self._start_s is not None
        if len(self._parts) >= 3:
            value = median(total / count for count, total in self._parts.values())
            end_s = self._start_s + (self._bin + 1) * BIN_S
            self._keep(GravitySample(time_s=end_s, gravity=value, instrument=Instrument.FLOAT))
        elif len(self._parts) == 1 and not any(one.instrument is Instrument.FLOAT for one in self._samples):
            ((number, (count, total)),) = self._parts.items()
            self._keep(
                GravitySample(time_s=number * PART_S, gravity=total / count, instrument=Instrument.HYDROMETER)
            )
        self._parts.clear()

    def _keep(self, sample: GravitySample) -> None:
        self._samples.append(sample)
        while self._samples[0].time_s < sample.time_s - KEPT_S:
            self._samples.popleft()

    @property
    def latest(self) -> GravitySample | None:
        """The newest sample; of a floating sensor the newest six hours."""
        return max(self._samples, key=lambda sample: sample.time_s) if self._samples else None

    def stands(self, now_s: float) -> Stability | None:
        """Return how gravity stands if it has stood within 0.001 for long enough up to now, else None."""
        known = [sample for sample in self._samples if sample.time_s <= now_s]
        if not known or now_s - max(sample.time_s for sample in known) > FRESH_S:
            return None
        newest = max(known, key=lambda sample: sample.time_s)
        hours = FLOAT_HOURS if newest.instrument is Instrument.FLOAT else HAND_HOURS
        found = stable(known, hours)
        if not found.stands or (newest.instrument is Instrument.FLOAT and self._falls(newest.time_s)):
            return None
        return found

    def _falls(self, until_s: float) -> bool:
        """Tell whether a floating sensor's medians fall as one line: slowly, but by more than may still come at the end."""
        floats = [one for one in self._samples if one.instrument is Instrument.FLOAT]
        lately = [one for one in floats if 0 <= until_s - one.time_s <= FLOAT_HOURS * 3600]
        if len(lately) < 2:
            return (
                False  # back after days: it stands by the samples at both ends, and no line goes through one
            )
        hours = [(one.time_s - until_s) / 3600 for one in lately]
        middle = sum(hours) / len(hours)
        square = sum((hour - middle) ** 2 for hour in hours)
        slope = sum((hour - middle) * one.gravity for hour, one in zip(hours, lately, strict=True)) / square
        return slope * FLOAT_HOURS < -FALLS
