"""A sensor's own noise and step, from readings drawn here."""

import math

import numpy as np
import pytest
from scipy import stats

from ullage.detectors.noise_pages import LEAST_PAGES, PAGE, PAGES_KEPT, SECOND_DIFFERENCE_MEAN, OwnNoise
from ullage.detectors.samples import FloatArray

CHANCE = 1e-7


def readings(rows: int, noise_bar: float, step_bar: float) -> FloatArray:
    """Return a pressure that climbs by 20 mbar over all readings, as a converter of a given noise and step shows it."""
    value = 1.2 + np.linspace(0, 0.02, rows) + noise_bar * np.random.default_rng(5).standard_normal(rows)
    shown: FloatArray = np.round(value / step_bar) * step_bar
    return shown


def learned(value: FloatArray, cuts: tuple[int, ...] = ()) -> OwnNoise:
    """Return what is learned of readings that come in blocks."""
    noise = OwnNoise()
    for block in np.split(value, cuts):
        pages = noise.pages(block)
        noise.learn(pages, pages.complete(len(block)))
    return noise


def test_constant_in_the_docstring() -> None:
    """Mean of the lower nine tenths of |second difference| of Gaussian noise, by scipy's normal distribution."""
    cut = stats.norm.ppf(0.95)
    trimmed = 2 * (stats.norm.pdf(0) - stats.norm.pdf(cut)) / 0.9
    assert pytest.approx(np.sqrt(6) * trimmed, abs=0.002) == SECOND_DIFFERENCE_MEAN


@pytest.mark.parametrize(("noise_bar", "step_bar"), [(0.002, 0.0005), (0.004, 0.0005), (0.002, 0.002)])
def test_a_run_is_as_improbable_as_noise_and_step_make_it(noise_bar: float, step_bar: float) -> None:
    """Counted by the normal distribution at four fifths of the noise that was drawn; a coarse step asks for more, never less."""
    value = readings(PAGE * PAGES_KEPT, noise_bar, step_bar)
    same = 1 - 2 * stats.norm.sf(step_bar / 2 / (0.8 * noise_bar))
    noise = learned(value)
    assert noise.step == pytest.approx(step_bar)
    asked = noise.improbable(CHANCE) / (math.log(CHANCE) / math.log(same))
    assert 0.9 < asked < (1.1 if step_bar < noise_bar / 2 else 1.4)


def test_what_is_too_little_or_too_coarse_is_not_judged() -> None:
    """Too few pages, a reading that never changes, and one that goes back and forth between two steps."""
    few = readings(PAGE * LEAST_PAGES - 1, 0.002, 0.0005)
    assert learned(few).improbable(CHANCE) == math.inf
    dead = learned(np.full(PAGE * PAGES_KEPT, 1.2))
    assert (dead.step, dead.improbable(CHANCE)) == (math.inf, math.inf)
    between = np.random.default_rng(6).choice([1.2, 1.2085], PAGE * PAGES_KEPT)
    assert learned(between).improbable(CHANCE) == math.inf


def test_it_learns_the_same_however_readings_are_cut() -> None:
    """One block, uneven ones, or pages measured together."""
    value = readings(PAGE * 20 + 7, 0.002, 0.0005)
    together = OwnNoise()
    pages = together.pages(value)
    pages.measure()
    together.learn(pages, pages.complete(len(value)))
    assert learned(value) == learned(value, (1, 63, 64, 200, 201, 900)) == together


def test_a_page_has_a_level_and_a_reading_that_ends_it() -> None:
    """The second page's is told by the block in which it is completed, by that block's own count."""
    noise = OwnNoise()
    value = np.concatenate((np.full(PAGE, 1.0), np.full(PAGE, 1.5)))
    noise.pages(value[:100])
    assert noise.pages(value[100:]).levels(1) == [(1.5, 2 * PAGE - 100 - 1)]
