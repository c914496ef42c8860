"""The noise of a pressure sensor, learned from minutes: what passes for it and what does not."""

from collections.abc import Iterable

import numpy as np
import pytest

from ullage.detectors.frames import Frame
from ullage.detectors.noise import PressureNoise
from ullage.detectors.samples import FloatArray

FRAME_S = 600.0


def frames(minutes: Iterable[float]) -> list[Frame]:
    """Return frames of ten minutes each."""
    bars = [float(bar) for bar in minutes]
    made = []
    for number, start in enumerate(range(0, len(bars), 10)):
        few = tuple(bars[start : start + 10])
        end_s = (number + 1) * FRAME_S
        made.append(
            Frame(
                end_s=end_s,
                pressure_bar=float(np.median(few)),
                temperature_c=20.0,
                minute_end_s=tuple(end_s - FRAME_S + 60.0 * (minute + 1) for minute in range(len(few))),
                minute_bar=few,
            )
        )
    return made


def taught(minutes: Iterable[float], *, settled: bool, noise: PressureNoise | None = None) -> PressureNoise:
    """Return noise that has taken these minutes."""
    noise = noise or PressureNoise()
    for frame in frames(minutes):
        noise.take(frame, settled=settled)
    return noise


def white(sd_bar: float, count: int, seed: int = 1) -> FloatArray:
    """Return minutes around 1 bar as frames have them: running medians of three, here of white noise."""
    raw = 1.0 + sd_bar * np.random.default_rng(seed).standard_normal(count + 2)
    minutes: FloatArray = np.median(np.stack([raw[:-2], raw[1:-1], raw[2:]]), axis=0)
    return minutes


def test_a_steady_climb_over_coarse_steps_is_not_restless() -> None:
    """A converter of 2 mbar, nearly free of noise, on a pressure that climbs by a third of a step a minute."""
    ramp = np.round((1.0 + 0.0007 * np.arange(600)) / 0.002) * 0.002
    noise = taught(ramp, settled=True)
    assert not noise.restless


def test_teeth_between_two_looks_are_restless() -> None:
    """Minutes that fall anywhere in teeth of 60 mbar, after a quiet day."""
    noise = taught(white(0.001, 600), settled=False)
    assert not noise.restless
    taught(1.0 + 0.06 * np.random.default_rng(3).random(60), settled=True, noise=noise)
    assert noise.restless


def test_fast_teeth_do_not_pass_for_noise() -> None:
    """While the valve may be at work the estimate does not rise."""
    noise = taught(white(0.001, 600), settled=False)
    before = noise.minute_sd_bar
    taught(1.0 + 0.06 * np.random.default_rng(3).random(3000), settled=True, noise=noise)
    assert noise.minute_sd_bar <= before


def test_an_estimate_that_is_too_high_comes_down_behind_a_valve() -> None:
    """The valve was fast before enough was known of the sensor: as the teeth slow down its true noise shows."""
    noise = taught(1.0 + 0.06 * np.random.default_rng(3).random(50), settled=False)
    assert noise.minute_sd_bar > 0.004
    taught(white(0.002, 1500), settled=True, noise=noise)
    assert noise.minute_sd_bar == pytest.approx(
        0.67 * 0.002, rel=0.25
    )  # the running median takes a third off


def test_a_draught_on_a_quiet_sensor_is_not_restless() -> None:
    """Ten times its own noise, but a tooth that let gas off would scatter by more: blow-downs are 5 mbar and larger."""
    noise = taught(white(0.0002, 600), settled=False)
    taught(white(0.002, 60, seed=2), settled=True, noise=noise)
    assert not noise.restless


def test_a_spike_in_an_average_does_not_pass_for_the_converter_s_step() -> None:
    """Steps of 8.5 mbar, and now and then a value between two of them: the step stays what nearly all changes are."""
    rng = np.random.default_rng(5)
    stairs = np.round((1.0 + 0.004 * rng.standard_normal(3000)) / 0.0085) * 0.0085
    stairs[::400] += 0.00004
    noise = taught(stairs, settled=False)
    assert noise.step_bar == pytest.approx(0.0085, rel=0.2)
