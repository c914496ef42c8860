"""What stops early, or in the cold: a stall, unless the warm beer or a sample has shown the end before."""

from dataclasses import replace

import numpy as np

from tests.detectors.streams import (
    HOUR_S,
    SEALED,
    START_S,
    VALVED,
    Batch,
    feed,
    hours_in,
    of,
    stream,
    watch_of,
)
from ullage.detectors.finding import Condition, Finding, State

BROKEN_OFF_H = 45.0
LAGER = replace(VALVED, yeast_temperature_c=(6.0, 12.0))


def broken_off(*samples: tuple[float, float]) -> list[Finding]:
    """Return the verdicts on an ale of 1.048 behind a cycling valve in which all gas stops at once, at two thirds.

    Hydrometer samples by the hour.
    """
    batch = Batch(
        vessel=VALVED, hours=150, opening_bar=1.2, blow_down_bar=0.1, tail_h=14, stop_h=BROKEN_OFF_H
    )
    entries = [(START_S + hour * HOUR_S, f"gravity {value:.4f}") for hour, value in samples]
    found = feed(watch_of(VALVED), stream(batch.samples(), *entries))
    return of(found, Condition.FINISHED, Condition.STALLED, Condition.FINISH_SUSPECTED)


def test_gas_that_breaks_off_early_is_no_end() -> None:
    """Nothing comes from one hour to the next: an alarm that asks for a sample, raised once, and never `finished`."""
    found = broken_off()
    assert [(one.condition, one.state) for one in found] == [(Condition.STALLED, State.RAISED)]
    assert "gravity sample" in found[0].text


def test_a_sample_that_stands_where_worts_end_lifts_the_doubt() -> None:
    """77 % attenuated (worts end at 70 to 85 %, common practice): the same silence is believed then."""
    found = broken_off((90.0, 1.0110))
    assert [one.condition for one in found if one.state is not State.CLEARED][-1] is Condition.FINISHED
    assert hours_in(found[-1]) < 90 + 24


def test_an_end_that_the_warm_beer_has_shown_is_no_stall_in_the_cold_after_it() -> None:
    """A fridge that falls below the yeast's range just as the bound has come to stand: over rather than asleep."""

    def course(hours: np.ndarray) -> np.ndarray:
        return np.where(hours < cold_h, 19.0, 16.5)

    cold_h = 1e9
    warm = Batch(vessel=SEALED, hours=160, total_g_per_l=4.5, tail_h=12.0)
    ended_h = hours_in(of(feed(watch_of(SEALED), stream(warm.samples())), Condition.FINISHED)[0])
    cold_h = ended_h - 1.0
    cooled = Batch(vessel=SEALED, hours=ended_h + 30, total_g_per_l=4.5, tail_h=12.0, celsius=course)
    found = of(feed(watch_of(SEALED), stream(cooled.samples())), Condition.FINISHED, Condition.STALLED)
    assert [one.condition for one in found] == [Condition.FINISHED]


def test_nothing_is_over_behind_a_valve_in_half_the_usual_time() -> None:
    """At 8 °C most worts take three weeks: one that fades as yeast does within four days is asleep, or wants a sample."""
    batch = Batch(
        vessel=LAGER, hours=190, opening_bar=1.2, blow_down_bar=0.1, tail_h=16,
        celsius=lambda hours: np.full(len(hours), 8.0),
    )  # fmt: skip
    found = feed(watch_of(LAGER), stream(batch.samples()))
    assert not of(found, Condition.FINISHED)
