"""Too little pressure: now, and foreseen before a chill takes it."""

import numpy as np
import pytest

from tests.detectors.streams import (
    HOUR_S,
    SEALED,
    START_S,
    Batch,
    Stream,
    every,
    feed,
    hours_in,
    merged,
    of,
    pressure,
    stream,
    temperature,
    watch_of,
)
from ullage.detectors.activity import Activity
from ullage.detectors.finding import Condition, Finding, State
from ullage.detectors.pressure_low import PressureLow
from ullage.detectors.samples import FloatArray


def low(given: Stream) -> list[Finding]:
    """Return the findings about low pressure."""
    return of(feed(watch_of(SEALED, (Activity, PressureLow)), given), Condition.PRESSURE_LOW)


def course(bars: FloatArray, celsius: float = 18.0, *entries: tuple[float, str]) -> Stream:
    """Return a stream of one pressure a minute."""
    time_s = every(60, len(bars) / 60)
    return stream(merged(pressure(time_s, bars), temperature(time_s, np.full(len(bars), celsius))), *entries)


def ramp(hours: float, *points: tuple[float, float]) -> FloatArray:
    """Return a pressure a minute by straight lines through (hour, bar)."""
    at = np.arange(0.0, hours, 1 / 60)
    return np.asarray(np.interp(at, [h for h, _ in points], [b for _, b in points]), float)


def test_a_lost_pressure_is_told_after_twenty_minutes() -> None:
    """From 1 bar to nothing: raised some twenty minutes after it fell below 0.05 bar, and cleared well above."""
    found = low(course(ramp(12, (0, 1.0), (2, 1.0), (4, 0.0), (8, 0.0), (9, 0.5))))
    assert [f.state for f in found] == [State.RAISED, State.CLEARED]
    assert 3.9 + 0.33 <= hours_in(found[0]) < 4.6
    assert (found[0].limit, found[0].unit) == (0.05, "bar")
    assert hours_in(found[1]) > 9


def test_a_vessel_that_never_had_pressure_has_lost_none() -> None:
    """The open days before fermentation are no alarm."""
    assert low(course(ramp(48, (0, 0.0), (48, 0.04)))) == []


def test_a_vent_by_hand_is_no_loss() -> None:
    """What the journal explains is no alarm for two hours; a tapped vessel never."""
    fall = ramp(5, (0, 1.0), (2, 1.0), (2.1, 0.0), (3.5, 0.0), (3.6, 0.4))
    assert low(course(fall, 18.0, (START_S + 2.05 * HOUR_S, "vented"))) == []
    empty = ramp(30, (0, 1.0), (2, 1.0), (8, 0.0))
    assert low(course(empty, 18.0, (START_S + 2 * HOUR_S, "tapped"))) == []


@pytest.mark.parametrize(("total", "warned"), [(1.0, True), (2.2, False)])
def test_the_end_of_a_chill_is_foreseen_from_the_gas_that_is_there(total: float, warned: bool) -> None:
    """A sealed keg that will end below 0.05 bar at 2 °C is warned of at the start of the chill, with that pressure.

    The truth is this test's own gas balance, run to the end of the chill.
    """
    batch = Batch(
        vessel=SEALED, hours=260, total_g_per_l=total, tail_h=15,
        celsius=lambda hours: np.clip(19.0 - 0.5 * (hours - 150), 2.0, 19.0),
    )  # fmt: skip
    _, bars, _ = batch.run()
    assert (bars[-1] < 0.05) == warned
    found = low(stream(batch.samples(), (START_S + 149 * HOUR_S, "chill 2")))
    foreseen = [f for f in found if f.subject]
    assert bool(foreseen) == warned
    if warned:
        assert 149 <= hours_in(foreseen[0]) <= 153
        said_bar = float(foreseen[0].text.split(" to about ")[1].split(" bar")[0])
        assert said_bar == pytest.approx(float(bars[-1]), abs=0.03)


def chill(to_bar: float, *entries: tuple[float, str]) -> Stream:
    """Return a chill from 19 to 2 °C at hour 6 of a shut vessel that would lose its pressure, and what it has in the end."""
    at_h = np.arange(0.0, 72, 1 / 60)
    celsius = np.clip(19 - (at_h - 6), 2.0, 19.0)
    bars = np.interp(at_h, [0, 6, 20, 30, 31, 72], [0.5, 0.5, 0.25, 0.1, to_bar, to_bar])
    time_s = START_S + at_h * HOUR_S
    return stream(merged(pressure(time_s, bars), temperature(time_s, celsius)), *entries)


def test_no_chill_is_told_of_that_nobody_entered() -> None:
    """Beer that cools may have lost its heat: said so, with the same pressures; with the word in the journal it is the chill."""
    unsaid, said = (
        next(found.text for found in low(chill(0.1, *words)) if found.subject)
        for words in ((), ((START_S + 5.5 * HOUR_S, "chill 2"),))
    )
    assert "no chill was entered" in unsaid
    assert "heat belt" in unsaid
    assert "The chill" not in unsaid
    assert said.startswith("The chill to 2 °C will take the pressure")


def test_what_was_foreseen_is_over_once_gas_is_connected() -> None:
    """Told at the start of the chill, cleared when a bottle has brought the pressure up; without one it stands."""
    told = (START_S + 5.5 * HOUR_S, "chill 2")
    raised, cleared = [f for f in low(chill(0.8, told)) if f.subject]
    assert (raised.state, cleared.state) == (State.RAISED, State.CLEARED)
    assert 30 < hours_in(cleared) < 31.5
    assert [f.state for f in low(chill(0.08, told)) if f.subject] == [State.RAISED]


def test_a_chill_that_was_given_up_takes_its_warning_along() -> None:
    """Foreseen while the beer cooled; then the fridge is set back, and the beer stays warm."""
    at_h = np.arange(0.0, 80, 1 / 60)
    celsius = np.interp(at_h, [0, 6, 12, 18, 80], [19, 19, 13, 19, 19])
    bars = np.interp(at_h, [0, 6, 12, 18, 80], [0.5, 0.5, 0.4, 0.5, 0.5])
    time_s = START_S + at_h * HOUR_S
    both = merged(pressure(time_s, bars), temperature(time_s, celsius))
    found = low(stream(both, (START_S + 6 * HOUR_S, "chill 2")))
    assert [f.state for f in found if f.subject] == [State.RAISED, State.CLEARED]
    assert 50 < hours_in(found[-1]) < 56
