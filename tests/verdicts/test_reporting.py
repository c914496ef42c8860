"""Other senders' ways of reporting: what each leaves out, and that it adds nothing of its own."""

import numpy as np
import pytest

from tests.detectors.streams import every
from tests.verdicts.reporting import WAYS, report
from ullage.detectors.samples import Kind, Samples

START_S = 1_790_000_000.0


def recorded() -> Samples:
    """Return a day of readings of all quantities, the pressure one of the kinds that wander and rest."""
    rng = np.random.default_rng(1)
    at_s = START_S + 60.0 * np.arange(1440)
    bar = 1.2 + 0.1 * np.sin(np.arange(1440) / 200) + 0.003 * rng.standard_normal(1440)
    celsius = 19 + 0.3 * np.sin(np.arange(1440) / 90)
    return Samples(
        time_s=np.concatenate([at_s, at_s + 1, at_s[::60] + 2]),
        kind=np.concatenate(
            [np.full(1440, Kind.PRESSURE), np.full(1440, Kind.TEMPERATURE), np.full(24, Kind.GRAVITY)]
        ).astype(Samples.empty().kind.dtype),
        value=np.concatenate([bar, celsius, np.full(24, 1.02)]),
    )


def of(samples: Samples, kind: Kind) -> tuple[np.ndarray, np.ndarray]:
    """Return times and values of one quantity."""
    return samples.time_s[samples.kind == kind], samples.value[samples.kind == kind]


@pytest.mark.parametrize("way", WAYS)
def test_every_way_is_in_order_and_leaves_gravities_alone(way: str) -> None:
    """Times never go back, no time is new, and a float's readings are all there."""
    given, found = recorded(), report(recorded(), way)
    assert way == "as-recorded" or (np.diff(found.time_s) >= 0).all()
    assert set(found.time_s) <= set(given.time_s)
    assert len(of(found, Kind.GRAVITY)[0]) == 24


@pytest.mark.parametrize(
    ("way", "minutes"), [("every-10-min", 10), ("every-15-min", 15), ("every-30-min", 30)]
)
def test_rare_readings_are_so_far_apart(way: str, minutes: float) -> None:
    """Of a reading a minute, one in so many is left, as it was."""
    at_s, bar = of(report(recorded(), way), Kind.PRESSURE)
    assert (np.diff(at_s) == 60 * minutes).all()
    whole_s, whole_bar = of(recorded(), Kind.PRESSURE)
    assert (bar == whole_bar[np.isin(whole_s, at_s)]).all()


@pytest.mark.parametrize(
    ("way", "bar", "beat_s"), [("on-change", 0.01, 3600), ("on-change-or-10-min", 0.02, 600)]
)
def test_what_is_not_reported_has_not_changed(way: str, bar: float, beat_s: float) -> None:
    """Every reading left out is within the dead-band of the last one reported, and none of those is older than a beat."""
    at_s, shown = of(report(recorded(), way), Kind.PRESSURE)
    whole_s, whole = of(recorded(), Kind.PRESSURE)
    last = np.searchsorted(at_s, whole_s, side="right") - 1
    assert (np.abs(whole - shown[last]) < bar).all()
    assert (whole_s - at_s[last] < beat_s).all()
    assert len(at_s) < len(whole_s) / 2


def test_a_smoothed_step_is_two_thirds_there_after_its_time_constant() -> None:
    """First order: 1 − 1/e of a step after 5 minutes, a millibar at the finest."""
    at_s = every(60, 0.5, START_S)
    bars = np.array([1.0] * 10 + [2.0] * 20)
    step = Samples.of(Kind.PRESSURE, at_s, bars)
    _, bar = of(report(step, "smoothed-5-min"), Kind.PRESSURE)
    assert bar[9] == 1.0
    assert bar[14] == pytest.approx(2 - np.exp(-1), abs=0.001)
    assert bar[29] == pytest.approx(2 - np.exp(-4), abs=0.001)


def test_rounded_and_without_a_thermometer() -> None:
    """Hundredths of a bar and tenths of a kelvin; and no temperature at all."""
    found = report(recorded(), "rounded")
    for kind, step in ((Kind.PRESSURE, 0.01), (Kind.TEMPERATURE, 0.1)):
        in_steps = of(found, kind)[1] / step
        assert in_steps == pytest.approx(np.round(in_steps), abs=1e-6)
    blind = report(recorded(), "no-thermometer")
    assert not len(of(blind, Kind.TEMPERATURE)[0])
    assert len(of(blind, Kind.PRESSURE)[0]) == 1440
