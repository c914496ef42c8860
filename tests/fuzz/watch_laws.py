"""The detectors behind the readers: whatever readings and entries say, none fails and over-pressure is told.

A detector that raises is left out from then on, so that the others go on: a sensor that could make one raise would have
switched it off.
"""

import math
from dataclasses import replace

import numpy as np

from tests.fuzz.target import Target
from ullage.daemon.batch_screen import next_text
from ullage.daemon.finding_table import finding_lines
from ullage.daemon.local_time import LocalTime
from ullage.daemon.times import local_text
from ullage.detectors.batch import Batch
from ullage.detectors.finding import Condition, Finding, State
from ullage.detectors.samples import Entry, FloatArray, Kind, Samples
from ullage.detectors.vessel import Probe, Vessel
from ullage.detectors.watch import VesselWatch

START_S = 1_772_355_600.0
_VESSEL = Vessel(
    name="north",
    total_volume_l=23.0,
    beer_volume_l=19.0,
    rated_pressure_bar=2.5,
    valve_pressure_bar=1.5,
    yeast_temperature_c=(18.0, 24.0),
    original_gravity=1.048,
    probe=Probe.BEER,
    sensors=frozenset({Kind.TEMPERATURE, Kind.PRESSURE}),
).carrying(Batch(carbonation="5 g/L", finings="twice", plan="18 for 3 days, 20, chill 2"))
_VESSELS = (
    _VESSEL,
    replace(_VESSEL, valve_pressure_bar=None, batch=None, original_gravity=None, probe=Probe.AIR),
)
_ODD = (
    0.0, -0.5, 1.2, 1.49, 1.5, 2.4, 2.51, 2.6, 18.0, 20.0, 85.0, -127.0, 1.012, 0.985, -1.013, 60.0, 99.9, -40.0, 1e9, -1e308,
    1e308, 5e-324,
)  # fmt: skip
_KINDS = (Kind.PRESSURE, Kind.PRESSURE, Kind.TEMPERATURE, Kind.GRAVITY)
_STEPS_S = (0.0, 1.0, 10.0, 60.0, 600.0, 3600.0, 43_200.0, -30.0)
_ZONE = LocalTime.named("UTC")
_MOST_S = 60 * 86_400.0


class _Play:
    """Plays bytes as readings, entries and time that passes."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._place = 1
        self.now_s = START_S
        self.watch = VesselWatch(_VESSELS[data[0] % 2 if data else 0])
        self.told: list[Finding] = []
        self._above = 0
        self.over = False
        """Whether two readings in a row, at two times, were above the rated limit."""
        self._last_s = -math.inf

    def _byte(self) -> int:
        self._place += 1
        return self._data[self._place - 1] if self._place <= len(self._data) else 0

    def play(self) -> None:
        while self._place < len(self._data) and self.now_s < START_S + _MOST_S:
            what = self._byte()
            if what % 4 == 0:
                self._enter()
            elif what % 4 == 1:
                self.now_s += _STEPS_S[self._byte() % 7]
                self.told += self.watch.tick(self.now_s)
            else:
                self._read()

    def _enter(self) -> None:
        end = self._data.find(b"\n", self._place)
        end = len(self._data) if end < 0 else end
        text = self._data[self._place : end].decode("utf-8", "replace")[:200]
        self._place = end + 1
        if text.strip() and text.isprintable():
            self.told += self.watch.enter(Entry(time_s=self.now_s, text=text.strip()))

    def _read(self) -> None:
        kind, count, step_s = _KINDS[self._byte() % 4], 1 + self._byte() % 40, _STEPS_S[self._byte() % 8]
        value, slope = _ODD[self._byte() % len(_ODD)], (self._byte() - 128) / 2000
        rows = np.arange(count, dtype=np.float64)
        times: FloatArray = self.now_s + step_s * rows
        values: FloatArray = value + slope * rows
        self.now_s = max(self.now_s, float(times[-1]))
        self._note(kind, times, values)
        self.told += self.watch.update(Samples.of(kind, times, values))

    def _note(self, kind: Kind, times: FloatArray, values: FloatArray) -> None:
        """Note whether over-pressure is due: plausible readings in a row above the limit, each later than the last."""
        if kind is not Kind.PRESSURE:
            return
        for time_s, value in zip(times.tolist(), values.tolist(), strict=True):
            if time_s <= self._last_s or not -1.0 < value < 50.0:
                continue
            self._last_s = time_s
            self._above = self._above + 1 if value > _VESSEL.rated_pressure_bar else 0
            self.over = self.over or self._above >= 2


def watch(data: bytes) -> None:
    """No detector fails, every finding can be told, and over-pressure is."""
    play = _Play(data)
    play.play()
    assert play.watch.failures == {}, play.watch.failures
    for finding in play.told:
        assert all(line.isprintable() for line in finding_lines(finding, _ZONE, 80, colour=False).split("\n"))
        numbers = (finding.value, finding.limit, finding.rate_g_per_l_day)
        assert all(number is None or math.isfinite(number) for number in numbers)
    record, now_s = play.watch.record, play.now_s
    if record.next_step is not None:
        assert next_text(record.next_step, _ZONE, now_s).isprintable()
    assert all(local_text(change.since_s, _ZONE) and change.why.isprintable() for change in record.stages)
    raised = any(f.condition is Condition.OVER_PRESSURE and f.state is State.RAISED for f in play.told)
    assert raised or not play.over, "over-pressure was not told"


def _reading(kind: int, count: int, step: int, value: int, slope: int) -> bytes:
    return bytes((2, kind, count - 1, step, value, slope))


_DAY = b"".join(_reading(2, 12, 4, 9, 128) + _reading(0, 12, 4, 0, 140) for _ in range(12))
_ENTRIES = (
    b"pitched", b"valve set 999999999", b"valve set -5", b"zero", b"chill -999999", b"fined 999999999", b"snooze 999999999",
    b"stage cold", b"stage undo", b"gravity 1.012 float", b"tapped", b"vented", b"valve shut", b"batch ended",
)  # fmt: skip
TARGETS = (
    Target(
        name="watch",
        check=watch,
        seeds=(
            b"\x00\x00pitched\n" + _DAY + b"\x00valve shut\n" + _DAY,
            b"\x00" + b"".join(b"\x00" + entry + b"\n" + _reading(0, 3, 3, 7, 128) for entry in _ENTRIES),
            b"\x01" + _DAY + b"\x00chill 2\n" + _reading(2, 40, 4, 2, 128) + b"\x01\x06\x00fined 15\n" + _DAY,
            b"\x00" + _reading(0, 2, 2, 7, 128),
        ),
        words=(
            *(b"\x00" + entry + b"\n" for entry in _ENTRIES),
            _DAY[:12],
            b"\x01\x06",
            b"999999999999999",
            b"\n",
        ),
        usual=512,
        longest=2048,
        code=tuple(
            f"ullage.detectors.{name}"
            for name in (
                "journal",
                "record",
                "stages",
                "over_pressure",
                "advising",
                "waits",
                "next_step",
                "plan",
                "gravity_samples",
            )
        ),
    ),
)
