"""The plausibility gate: what no vessel can show, and the alarm about a sensor that goes on saying it."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.detectors.streams import HOUR_S, SEALED, START_S, every, pressure, temperature, watch_of
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.gate import Implausible, plausible
from ullage.detectors.samples import Kind, Samples

ABOVE_ANYTHING = {Kind.TEMPERATURE: 85.0, Kind.PRESSURE: 99.0, Kind.GRAVITY: 2.0, Kind.AIR: 85.0}


def said(kind: Kind, values: list[float]) -> tuple[Finding, ...]:
    """Return what is found in one quantity, a reading every ten seconds."""
    time_s = START_S + 10 * np.arange(float(len(values)))
    return watch_of(SEALED, (Implausible,)).update(
        Samples.of(kind, np.asarray(time_s, float), np.array(values))
    )


@pytest.mark.parametrize(
    ("kind", "value", "fine"),
    [
        (Kind.TEMPERATURE, -127.0, False),  # the driver's value for a sensor that is gone (common practice)
        (Kind.TEMPERATURE, 85.0, False),  # power-on (DS18B20 data sheet)
        (Kind.TEMPERATURE, 0.0, True),
        (Kind.TEMPERATURE, -2.0, True),
        (Kind.TEMPERATURE, 45.0, True),
        (Kind.PRESSURE, -0.9, False),  # a broken wire on a transmitter with a live zero (common practice)
        (Kind.PRESSURE, -0.3, True),  # a vessel chilled shut
        (Kind.PRESSURE, 0.0, True),
        (Kind.PRESSURE, 7.0, True),
        (Kind.PRESSURE, 65535.0, False),
        (Kind.GRAVITY, 1.048, True),
        (Kind.GRAVITY, 0.998, True),
        (Kind.GRAVITY, 0.5, False),
        (Kind.PRESSURE, math.nan, False),
        (Kind.PRESSURE, math.inf, False),
    ],
)
def test_what_can_be_true(kind: Kind, value: float, fine: bool) -> None:
    """Limits of physics and the known words of broken sensors."""
    assert plausible(Samples.of(kind, np.array([0.0]), np.array([value]))).tolist() == [fine]


def test_four_in_a_row_are_told_and_four_good_ones_take_it_back() -> None:
    """Three impossible readings are a bad contact; the fourth raises, for this sensor alone."""
    assert said(Kind.TEMPERATURE, [18.0, *[85.0] * 3, 18.0, *[-127.0] * 3, 18.0]) == ()
    raised, cleared = said(Kind.TEMPERATURE, [18.0, *[85.0] * 6, 18.0, 18.0, 85.0, *[18.0] * 6])
    assert (raised.condition, raised.state, raised.priority) == (
        Condition.SENSOR_IMPLAUSIBLE, State.RAISED, Priority.HIGH,
    )  # fmt: skip
    assert raised.time_s == START_S + 40
    assert (raised.subject, raised.value, raised.limit, raised.unit) == ("temperature", 85.0, 60.0, "°C")
    assert "can't be" in raised.text
    assert (cleared.state, cleared.time_s) == (State.CLEARED, START_S + 130)


@given(
    kind=st.sampled_from(list(Kind)),
    fine=st.lists(st.booleans(), min_size=1, max_size=80),
)
def test_against_the_sentence_in_the_settings(kind: Kind, fine: list[bool]) -> None:
    """Four bad in a row raise, four good in a row clear: nothing else does."""
    good = {Kind.TEMPERATURE: 18.0, Kind.PRESSURE: 1.0, Kind.GRAVITY: 1.02, Kind.AIR: 4.0}[kind]
    found = said(kind, [good if ok else ABOVE_ANYTHING[kind] for ok in fine])
    wanted, raised = [], False
    for i in range(len(fine)):
        last = fine[max(0, i - 3) : i + 1]
        if len(last) == 4 and all(last) == raised and any(last) == raised:
            raised = not raised
            wanted.append((START_S + 10 * i, State.RAISED if raised else State.CLEARED))
    assert [(f.time_s, f.state) for f in found] == wanted


def test_impossible_values_reach_no_trend() -> None:
    """A minute of 85 °C leaves the beer's temperature as it was."""
    watch = watch_of(SEALED)
    time_s = every(10, 1)
    value = np.where((np.arange(360) // 6) % 5 == 2, 85.0, 18.0)
    watch.update(temperature(time_s, value))
    watch.update(pressure(time_s + HOUR_S, np.full(360, 1.0)))
    assert watch.record.thermometer.beer_c == 18.0
