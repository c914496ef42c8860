"""How slowly a fermentation can still die away, against the equations in the docstring."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from ullage.detectors.production import Production
from ullage.detectors.tail import RateHistory, tail_by_age_h


def rate(hour: float, g_per_l_day: float, se: float = 0.01, hours: float = 2.0) -> Production:
    """Return a rate measured around an hour."""
    middle_s = hour * 3600
    return Production(
        rate_g_per_l_day=g_per_l_day, se_g_per_l_day=se, hours=hours, start_s=middle_s - hours * 1800,
        end_s=middle_s + hours * 1800, residual_sd_bar=0.001,
    )  # fmt: skip


@settings(max_examples=100)
@given(made=st.floats(0.5, 40), age_h=st.floats(10, 400), rate_g_per_l_day=st.floats(0.05, 20))
def test_age_alone_solves_its_equation(made: float, age_h: float, rate_g_per_l_day: float) -> None:
    """age = τ·ln((made + R)/R) with R = rate·τ, solved by scipy's root finder, or the largest τ that is looked at."""

    def off(tau_h: float) -> float:
        return tau_h * math.log1p(made / (rate_g_per_l_day / 24 * tau_h)) - age_h

    largest = max(4 * age_h, 10.0)
    tau = tail_by_age_h(made, age_h, rate_g_per_l_day)
    if off(1.0) < 0 < off(largest):
        assert tau == pytest.approx(brentq(off, 1.0, largest), rel=1e-3)
    else:
        assert tau == pytest.approx(1.0 if off(1.0) >= 0 else largest, rel=1e-3)


@pytest.mark.parametrize("tau_h", [10.0, 30.0, 80.0])
def test_a_first_order_tail_is_seen_on_the_slow_side(tau_h: float) -> None:
    """Rates that fall as exp(−t/τ): the estimate lies above τ, by less than its four fifths."""
    history = RateHistory()
    for hour in np.arange(0.0, 4 * tau_h, 1.5):
        history.note(rate(hour, 8.0 * float(np.exp(-hour / tau_h))))
    now_h = 4 * tau_h
    tail = history.tail_h(rate(now_h, 8.0 * float(np.exp(-4.0))))
    assert tail is not None
    assert tau_h < tail < 1.8 * tau_h


def test_falls_that_take_ever_longer_are_a_slow_last_sugar() -> None:
    """14 g/L a day that fades with 5 h beside 1 g/L a day that fades with 100 h: much is left, though the rate fell fast."""
    history = RateHistory()

    def both(hour: float) -> float:
        return 14.0 * math.exp(-hour / 5) + 1.0 * math.exp(-hour / 100)

    for hour in np.arange(0.0, 24.0, 1.0):
        history.note(rate(hour, both(hour)))
    tail = history.tail_h(rate(24.0, both(24.0)))
    assert tail is not None
    one = RateHistory()
    for hour in np.arange(0.0, 24.0, 1.0):
        one.note(rate(hour, both(24.0) * math.exp((24 - hour) / 8)))
    alone = one.tail_h(rate(24.0, both(24.0)))
    assert alone is not None
    assert tail > 2.5 * alone


def test_a_burst_that_ended_long_ago_says_nothing_of_how_fast_it_fades_now() -> None:
    """10 g/L a day for a few hours, then 1.3 for a day: as far as is seen since, it stands still."""
    history = RateHistory()
    for hour in range(4):
        history.note(rate(float(hour), 10.0))
    for hour in range(5, 29):
        history.note(rate(float(hour), 1.3))
    tail = history.tail_h(rate(29.0, 1.3))
    assert tail is not None
    assert tail > (29 - 5) / math.log(1.4)


def test_a_rate_that_has_not_fallen_says_nothing() -> None:
    """Without a fall there is no tail to read."""
    history = RateHistory()
    assert history.tail_h(rate(1.0, 5.0)) is None
    for hour in range(20):
        history.note(rate(float(hour), 5.0))
    assert history.tail_h(rate(21.0, 5.0)) is None


def test_vague_rates_are_not_kept() -> None:
    """A rate that is known to no better than its own half tells nothing of the fall."""
    history = RateHistory()
    for hour in range(20):
        history.note(rate(float(hour), 2.0, se=1.0))
    assert history.peak == 0.0
    assert list(history.before(1e9)) == []


def test_the_peak_is_what_was_surely_reached() -> None:
    """The lower end of the highest rate's interval."""
    history = RateHistory()
    history.note(rate(1.0, 3.0, se=0.1))
    history.note(rate(3.0, 9.0, se=0.5))
    history.note(rate(9.0, 1.0, se=0.05))
    assert history.peak == pytest.approx(9.0 - 3 * 0.5)


def test_one_rate_an_hour_is_enough() -> None:
    """Rates closer than an hour are not all kept; the newest come first."""
    history = RateHistory()
    for minute in range(0, 600, 10):
        history.note(rate(minute / 60, 5.0))
    kept = [r.time_s for r in history.before(1e9)]
    assert len(kept) == 10
    assert kept == sorted(kept, reverse=True)


@pytest.mark.parametrize(("before", "rising"), [(0.1, True), (0.3, False)])
def test_a_rate_that_comes_up_again_is_no_tail(before: float, rising: bool) -> None:
    """Teeth that the sampling can't follow beat with it: a rate of 0.1, and 0.5 a day later."""
    rates = RateHistory()
    rates.note(rate(10.0, before))
    assert rates.rising(rate(30.0, 0.5, se=0.02)) is rising
    assert not rates.rising(rate(50.0, 0.5, se=0.02))  # too long ago
