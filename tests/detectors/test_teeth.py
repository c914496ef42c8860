"""Whether the rise between two drops was seen as one."""

from collections.abc import Iterable

import numpy as np
import pytest

from ullage.detectors.teeth import Rise, Teeth


def risen(minutes: Iterable[float]) -> Rise:
    """Return a rise that has taken these minutes."""
    rise = Rise()
    for bar in minutes:
        rise.take(float(bar))
    return rise


def test_a_climb_is_seen_and_a_plateau_is_not() -> None:
    """Fifty minutes from trough to peak of a drop of 40 mbar; fifty minutes at the top."""
    noise = 0.001 * np.random.default_rng(1).standard_normal(50)
    assert risen(np.linspace(1.46, 1.50, 50) + noise).resolved(0.04, 0.001, 0.0)
    assert not risen(1.50 + noise).resolved(0.04, 0.001, 0.0)


def test_a_drop_that_was_missed_makes_it_none() -> None:
    """A fall of three quarters of a drop within the climb: some gas has left uncounted."""
    climb = np.concatenate([np.linspace(1.46, 1.50, 50), np.linspace(1.47, 1.50, 50)])
    assert not risen(climb).resolved(0.04, 0.001, 0.0)


def test_two_steps_of_a_coarse_converter_are_no_drop() -> None:
    """Eight hours of a slow climb read in steps of 4.9 mbar, one of them falling back by two steps."""
    climb = np.round(np.linspace(1.59, 1.63, 480) / 0.0049) * 0.0049
    climb[240] += 0.0049
    climb[241] -= 0.0049
    assert risen(climb).resolved(0.04, 0.00147, 0.0049)


def test_the_beginning_of_the_next_drop_is_not_held_against_it() -> None:
    """A drop that the sampling cuts in two: its first part is too small to be one, and the last minute of the rise."""
    climb = [*np.linspace(1.46, 1.50, 50), 1.492]
    assert risen(climb).resolved(0.028, 0.0011, 0.0008)


def test_many_minutes_make_up_for_noise() -> None:
    """A blow-down of 44 mbar on a sensor of 8 mbar noise: three minutes can't tell trough from peak, eight can."""
    rng = np.random.default_rng(5)
    slow = [risen(np.linspace(1.456, 1.5, 90) + 0.008 * rng.standard_normal(90)) for _ in range(50)]
    seen = sum(rise.resolved(0.044, 0.0081, 0.001) for rise in slow)
    flat = [risen(1.48 + 0.008 * rng.standard_normal(90)) for _ in range(50)]
    assert seen >= 48
    assert not any(rise.resolved(0.044, 0.0081, 0.001) for rise in flat)


@pytest.mark.parametrize(
    ("slow_bar", "seen"),
    [pytest.param(0.012, True, id="climbs on"), pytest.param(0.0, False, id="stands still")],
)
def test_a_tooth_that_is_refilled_at_once_is_known_by_its_slow_part(slow_bar: float, seen: bool) -> None:
    """Most of a drop of 0.1 bar comes back within two minutes; what climbs evenly for hours after it can't be a valve that
    passes, what stands still can."""
    noise = 0.0005 * np.random.default_rng(5).standard_normal(180)
    at = np.arange(180.0)
    rise = risen(1.188 - 0.088 * np.exp(-2.5 * at) + slow_bar * at / 180 + noise)
    assert rise.resolved(0.1, 0.0005, 0.0) is seen


def test_a_jump_to_the_peak_is_no_slow_climb() -> None:
    """Flat for an hour, then two minutes at the top: teeth that the sampling misses look like that too."""
    assert not risen([1.1] * 58 + [1.2] * 2).resolved(0.1, 0.0005, 0.0)


@pytest.mark.parametrize(
    ("minutes", "seeps"),
    [
        pytest.param(
            [1.20, 1.196, 1.192, 1.187, 1.183, 1.179, 1.175, 1.171, 1.167], True, id="minute by minute"
        ),
        pytest.param(
            [1.20, 1.19, 1.165, 1.164, 1.163, 1.162, 1.161, 1.160, 1.159], False, id="most of it at once"
        ),
    ],
)
def test_a_fall_that_goes_on_evenly_is_no_valve_that_pops(minutes: list[float], seeps: bool) -> None:
    """A setting that follows the fridge's air takes ten minutes over what a valve that pops does in seconds."""
    teeth = Teeth()
    found = [teeth.take(60.0 * at, bar, 0.0003, 0.0) and teeth.seeps for at, bar in enumerate(minutes)]
    assert any(found) is seeps
