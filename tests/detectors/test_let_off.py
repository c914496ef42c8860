"""Production by counted drops is never below the truth, and close to it where beer and gas take their time."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.detectors.streams import HOUR_S, START_S, VALVED, every, merged, pressure, temperature, watch_of
from tests.detectors.teeth_streams import IN_BEER, IN_GAS, Teeth, teeth
from ullage.detectors.activity import Activity
from ullage.detectors.detector import Detector
from ullage.detectors.finding import Finding
from ullage.detectors.frames import Frame
from ullage.detectors.let_off import LetOff
from ullage.detectors.production import Production
from ullage.detectors.record import Record
from ullage.detectors.vessel import Vessel

HEAD = VALVED.head_space_l / VALVED.beer_volume_l * IN_GAS


class Counting(Detector):
    """Keeps, frame by frame, the runs of teeth with their share: up to the last drop, and up to now."""

    name = "counting"
    Settings = type(None)

    def __init__(self, vessel: Vessel, settings: None) -> None:
        super().__init__(vessel)
        self.let_off = LetOff()
        self.runs: list[tuple[Production, float]] = []
        self.until_now: list[tuple[Production, float]] = []
        self.made = 0.0

    def frame(self, frame: Frame, record: Record) -> list[Finding]:
        """Take the frame's drops."""
        self.let_off.take(record)
        self.made = self.let_off.made_g_per_l(record)
        for one in self.let_off.counted(record):
            kept = self.until_now if one.production.end_s == record.now_s else self.runs
            kept.append((one.production, one.share))
        return []


def counted(vessel: Vessel, batch: Teeth) -> Counting:
    """Return what was counted over a batch."""
    watch = watch_of(vessel)
    counting = Counting(vessel, None)
    watch._detectors = (counting,)
    watch.update(batch.samples)
    return counting


def truth(batch: Teeth, run: Production) -> float:
    """Return the true mean production over a run's time."""
    first = batch.samples.time_s[0]
    rows = slice(int((run.start_s - first) / 60), int((run.end_s - first) / 60))
    return float(batch.rate_g_per_l_day[rows].mean())


@pytest.mark.parametrize("beer_h", [4.0, 12.0, 40.0])
@pytest.mark.parametrize("tail_h", [30.0, 80.0])
def test_never_below_the_truth_and_close_where_teeth_bend(beer_h: float, tail_h: float) -> None:
    """What drops let off is production and release, r·(1 + 1/(k·τ)): by mass balance, for every run of teeth."""
    batch = teeth(VALVED, days=6, rate_g_per_l_day=3.0, tail_h=tail_h, exchange_per_h=1 / beer_h)
    counting = counted(VALVED, batch)
    runs = counting.runs
    assert runs
    assert counting.until_now
    for run, share in runs + counting.until_now:
        rate = run.rate_g_per_l_day * share
        assert rate + 3 * run.se_g_per_l_day * share >= truth(batch, run)
    if beer_h < tail_h / 2:  # else what was held outlasts what is made
        run, share = runs[-1]
        assert run.rate_g_per_l_day * share <= 1.45 * (1 + beer_h / tail_h) * truth(batch, run)


def test_a_long_tooth_tells_before_its_drop() -> None:
    """Counted from where an earlier tooth passed the same pressure, the bound falls while the last tooth lasts."""
    batch = teeth(VALVED, days=6, rate_g_per_l_day=3.0, tail_h=12.0, exchange_per_h=1 / 4)
    counting = counted(VALVED, batch)
    drop_s = counting.runs[-1][0].end_s
    after = [run for run, _ in counting.until_now if run.start_s < drop_s < run.end_s - 12 * 3600]
    assert after
    assert after[-1].rate_g_per_l_day < 0.6 * counting.runs[-1][0].rate_g_per_l_day
    assert all(run.rate_g_per_l_day * counting.runs[-1][1] >= truth(batch, run) for run in after)


def test_in_balance_a_drop_is_worth_all_of_the_capacity() -> None:
    """Straight teeth in a world in balance: no share is taken off, and the rate is true."""
    strong = replace(VALVED, original_gravity=1.090)
    batch = teeth(strong, days=6, rate_g_per_l_day=3.0, tail_h=60.0, exchange_per_h=math.inf)
    run, share = counted(strong, batch).runs[-1]
    assert share == 1.0
    assert run.rate_g_per_l_day == pytest.approx(truth(batch, run), rel=0.1)


def test_a_wort_can_not_let_off_more_than_it_has() -> None:
    """Straight teeth that would add up to thrice the wort's gas, were they worth beer and gas in balance: they are not."""
    weak = replace(VALVED, original_gravity=1.030)
    batch = teeth(weak, days=12, rate_g_per_l_day=4.0, tail_h=250.0, exchange_per_h=1 / 400)
    counting = counted(weak, batch)
    run, share = counting.runs[-1]
    assert HEAD / (HEAD + IN_BEER) <= share < 0.6
    assert run.rate_g_per_l_day * share >= truth(batch, run)


def test_made_is_at_most_what_was_made() -> None:
    """Counted at the head space's worth, drops and what the vessel holds stay within what was made and held at first."""
    batch = teeth(VALVED, days=6, rate_g_per_l_day=3.0, tail_h=40.0, exchange_per_h=1 / 12)
    held_at_first = batch.rate_g_per_l_day[0] / 24 * 12
    made = batch.rate_g_per_l_day.sum() * 60 / 86_400 + held_at_first
    assert batch.let_off_g_per_l[-1] * 0.85 < counted(VALVED, batch).made <= 1.05 * made


def test_two_drawn_out_teeth_are_no_fall() -> None:
    """Teeth of 1.4 h and then two of twice that, as a fridge's swing draws them out: the last bound is close to the one before,
    for yeast that has been at work for two weeks does not slow down by half within hours."""
    rng = np.random.default_rng(4)
    lengths = np.where(np.arange(201) < 198, 1.4, 2.8)
    begins = np.concatenate([[0.0], np.cumsum(lengths)])
    at = every(60, float(begins[-1]) - 1.0)
    hour = (at - START_S) / HOUR_S
    tooth = np.searchsorted(begins, hour, side="right") - 1
    part = (hour - begins[tooth]) / np.append(lengths, 2.8)[tooth]
    bars = 1.1 + 0.1 * part + 0.0005 * rng.standard_normal(len(at))
    counting = Counting(VALVED, None)
    watch = watch_of(VALVED)
    watch._detectors = (Activity(VALVED, Activity.Settings()), counting)
    watch.update(merged(pressure(at, bars), temperature(at + 5, np.full(len(at), 19.0))))
    rates = [run.rate_g_per_l_day for run, _ in counting.runs]
    assert min(rates[-3:]) > 0.7 * max(rates[-3:])


def test_what_fast_beer_gives_back_before_a_drop_is_seen_counts() -> None:
    """Beer that fills the head space again within minutes hides a good part of each drop from medians of three minutes: what is
    counted is no less than what was let off."""
    beer_h = IN_BEER / HEAD / 12.0
    batch = teeth(VALVED, days=6, rate_g_per_l_day=1.5, tail_h=60.0, exchange_per_h=1 / beer_h)
    runs = [(run, share) for run, share in counted(VALVED, batch).runs if share < 0.5]
    assert runs
    assert all(share * run.rate_g_per_l_day > 0.97 * truth(batch, run) for run, share in runs)
