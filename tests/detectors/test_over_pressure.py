"""Over-pressure: the second consecutive reading, always; a spike, never; nothing else plays a part."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.detectors.streams import SEALED, START_S, VALVED, merged, pressure, temperature, watch_of
from ullage.detectors.detector import Detector
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.over_pressure import OverPressure
from ullage.detectors.registry import compose
from ullage.detectors.samples import Entry
from ullage.detectors.watch import VesselWatch

LIMIT = SEALED.rated_pressure_bar


def said(bars: list[float], times_s: list[float] | None = None) -> list[tuple[float, State]]:
    """Return seconds from the start and state of all findings."""
    at = np.arange(float(len(bars))) if times_s is None else np.array(times_s)
    found = watch_of(SEALED, (OverPressure,)).update(pressure(START_S + at, bars))
    return [(f.time_s - START_S, f.state) for f in found]


def test_the_second_reading_raises() -> None:
    """Two in a row, with no other delay, and only once."""
    assert said([2.0, 3.01, 3.02, 3.5, 9.0]) == [(2.0, State.RAISED)]


def test_a_spike_never_does() -> None:
    """Single wild values, as many as there are, raise nothing."""
    assert said([2.0, 60.0] * 50 + [2.0, 99.9, 2.0]) == []


def test_the_limit_itself_is_allowed() -> None:
    """A reading at the rated pressure is not above it."""
    assert said([3.0] * 10) == []


def test_a_reading_delivered_twice_is_one_reading() -> None:
    """A repeat of the same time stamp does not make two of one spike."""
    assert said([2.0, 9.0, 9.0, 2.0], [0.0, 1.0, 1.0, 2.0]) == []
    assert said([2.0, 9.0, 9.0, 9.0], [0.0, 1.0, 1.0, 2.0]) == [(2.0, State.RAISED)]


def test_dead_band() -> None:
    """It is over after two readings below the dead-band, and raised anew by the next two above."""
    assert said([3.1, 3.1, 2.99, 2.95, 2.93, 2.95, 2.93, 2.92, 3.1, 3.1]) == [
        (1.0, State.RAISED),
        (7.0, State.CLEARED),
        (9.0, State.RAISED),
    ]


@given(
    bars=st.lists(st.sampled_from([0.0, 2.9, 2.95, 3.0, 3.05, 9.0, 99.0]), min_size=1, max_size=60),
    steps=st.lists(st.sampled_from([0, 1, 1, 1, -3]), min_size=60, max_size=60),
    cut=st.integers(1, 60),
)
def test_against_a_tiny_reference(bars: list[float], steps: list[int], cut: int) -> None:
    """Two newest readings above raise, two below the dead-band clear; old and repeated time stamps are no readings."""
    times = np.cumsum(np.array(steps[: len(bars)], float))
    wanted: list[tuple[float, State]] = []
    newest: list[float] = []
    latest, raised = -np.inf, False
    for at, bar in zip(times.tolist(), bars, strict=True):
        if at <= latest:
            continue
        latest = at
        newest = [*newest[-1:], bar]
        if not raised and len(newest) == 2 and min(newest) > LIMIT:
            raised = True
            wanted.append((at, State.RAISED))
        elif raised and max(newest) < LIMIT - 0.06:
            raised = False
            wanted.append((at, State.CLEARED))
    watch = watch_of(SEALED, (OverPressure,))
    samples = pressure(START_S + times, bars)
    found = [*watch.update(samples.cut(0, cut)), *watch.update(samples.cut(cut, len(bars)))]
    assert [(f.time_s - START_S, f.state) for f in found] == wanted


@pytest.mark.parametrize("vessel", [SEALED, VALVED], ids=["sealed", "valved"])
def test_nothing_holds_it_back(vessel: object) -> None:
    """No temperature, an impossible value, a journal entry, a new clock: the second reading raises all the same."""
    watch = VesselWatch(SEALED if vessel is SEALED else VALVED)
    watch.enter(Entry(time_s=START_S - 10, text="tapped"))
    found = watch.update(pressure(START_S + np.arange(3.0), [1.0, 77.0, 77.0]))
    (raised,) = (f for f in found if f.condition is Condition.OVER_PRESSURE)
    assert raised.priority is Priority.CRITICAL
    assert (raised.value, raised.limit, raised.unit) == (77.0, LIMIT, "bar")
    assert raised.time_s == START_S + 2


def test_the_text_says_what_protects() -> None:
    """Number, limit, what to do first, and that the relief valve is the protection."""
    watch = watch_of(SEALED, (OverPressure,))
    (raised,) = watch.update(pressure(START_S + np.arange(2.0), [3.2, 3.25]))
    for word in ("3.25 bar", "3.00 bar", "relief valve", "CO2"):
        assert word in raised.text


def test_dead_band_is_a_setting_and_the_limit_is_not() -> None:
    """The dead-band can be set; the limit is the vessel's plate."""
    watch = VesselWatch(SEALED, compose({"over_pressure": {"dead_band_bar": 0.5}}))
    bars = [3.1, 3.1, 2.8, 2.8, 2.4, 2.4]
    found = [
        f
        for f in watch.update(pressure(START_S + np.arange(6.0), bars))
        if f.condition is Condition.OVER_PRESSURE
    ]
    assert [f.time_s - START_S for f in found] == [1.0, 5.0]


def test_temperature_plays_no_part() -> None:
    """The same stream with a temperature between all readings gives the same findings."""
    bars = pressure(START_S + np.arange(10.0), [1.0, 3.1, 1.0, 3.1, 3.1, 3.1, 1.0, 1.0, 3.1, 3.1])

    def alone(*kinds: type[Detector]) -> tuple[Finding, ...]:
        both = merged(bars, temperature(START_S + np.arange(10.0) + 0.5, np.full(10, 85.0)))
        return watch_of(SEALED, kinds).update(both)

    assert alone(OverPressure) == watch_of(SEALED, (OverPressure,)).update(bars)


def test_a_broken_sensor_ends_nothing() -> None:
    """Above the limit, then numbers that can't be (-0.97 bar): the alarm stands until believable ones are below."""
    assert said([3.1, 3.1, -0.97, -0.97, -0.97]) == [(1.0, State.RAISED)]
    assert said([3.1, -0.97, 3.1, 2.0, 2.0]) == [(2.0, State.RAISED), (4.0, State.CLEARED)]
