"""Looking back on batches that are over: their own wishes, their own rates, their own marks."""

import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ullage.adapters.log_format import VesselLog
from ullage.adapters.reading import Quantity, Reading
from ullage.adapters.recorded_log import read_log
from ullage.daemon import outbox
from ullage.daemon.alarm_states import AlarmKey
from ullage.daemon.chart import past_rates
from ullage.daemon.chart.batch import Rates
from ullage.daemon.chart.batch_spans import BatchSpan
from ullage.daemon.chart.lookback import EARLIER, LookBack
from ullage.daemon.chart.past_rates import BUSY, GONE, PastRates
from ullage.daemon.clock import ManualClock
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.events import EventKind, own_event
from ullage.daemon.judged import judged
from ullage.daemon.replaying import Replayed, replay
from ullage.daemon.report.trace import Trace
from ullage.daemon.settings import load
from ullage.daemon.store import batches
from ullage.daemon.store.store import Store
from ullage.detectors.batch import Batch
from ullage.detectors.finding import Priority
from ullage.detectors.record import Record
from ullage.detectors.samples import Kind

FIXTURE = Path(__file__).parents[3] / "replay_fixtures" / "heron_pitched_to_tap.csv.gz"
DAY_S = 86_400.0
QUANTITIES = {Kind.TEMPERATURE: Quantity.TEMPERATURE, Kind.PRESSURE: Quantity.PRESSURE}


@pytest.fixture(name="log", scope="module")
def _log() -> VesselLog:
    return read_log(FIXTURE).vessels["heron"]


@pytest.fixture(name="watched", scope="module")
def _watched() -> WatchedVessel:
    return load(FIXTURE.with_name("heron_pitched_to_tap.yaml"), {}, live=False).watched("heron")


@pytest.fixture(name="store", scope="module")
def _store(tmp_path_factory: pytest.TempPathFactory, log: VesselLog) -> Iterator[Store]:
    """The fixture's batch as the daemon would have recorded it, and one day of another after it."""
    with Store.open(f"sqlite:///{tmp_path_factory.mktemp('past') / 'p.db'}") as store:
        rows = zip(log.time_s.tolist(), log.kind.tolist(), log.value.tolist(), strict=True)
        store.append([Reading("heron", QUANTITIES[Kind(kind)], at, value) for at, kind, value in rows])
        for entry in log.entries:
            store.add_entry("heron", entry.time_s, entry.text, made_s=entry.time_s)
        start_s, end_s = float(log.time_s[0]), float(log.time_s[-1]) + 1
        first = batches.begin(
            store,
            "heron",
            Batch(name="first", yeast_temperature_c=(17, 21)),
            began_s=start_s,
            made_s=start_s,
            origin="command",
        )
        batches.end(store, first, ended_s=end_s, summary="")
        later_s = end_s + 3600
        batches.begin(store, "heron", Batch(name="second"), began_s=later_s, made_s=later_s, origin="command")
        store.append([Reading("heron", Quantity.PRESSURE, later_s + 60.0 * n, 0.1) for n in range(1440)])
        around_s = np.arange(end_s - 7200.0, later_s + 7200.0, 600.0).tolist()
        store.append([Reading("heron", Quantity.AIR_TEMPERATURE, at, 12.0) for at in around_s])
        store.flush()
        yield store


@pytest.fixture(name="lookback", scope="module")
def _lookback(store: Store, log: VesselLog, watched: WatchedVessel) -> LookBack:
    return LookBack(store, [watched], ManualClock(wall_s=float(log.time_s[-1]) + 2 * DAY_S), dict)


def first_batch(lookback: LookBack) -> BatchSpan:
    """Return the one that is over."""
    return lookback.batches("heron")[1]


def seen_live(log: VesselLog, watched: WatchedVessel) -> Rates:
    """Return the rates as an observer notes them, hour by hour, while the log runs through the detectors."""
    trace = Trace(watched.vessel)
    list(replay([Replayed(log=log, watched=watched)], None, lambda _pair: (trace,)))
    rows = sorted((at, *rate) for at, rate in trace.rates.items())
    time_s, rate, se = (np.array([row[place] for row in rows]) for place in range(3))
    return Rates(time_s=time_s, rate=rate, se=se)


def test_rates_are_those_that_were_seen_live(
    lookback: LookBack, log: VesselLog, watched: WatchedVessel
) -> None:
    """Worked out from the store they are the very rates that were measured while the batch went on."""
    rates = lookback.view_of(first_batch(lookback)).rates
    seen = seen_live(log, watched)
    assert len(seen.time_s) > 5
    assert rates.time_s.tolist() == seen.time_s.tolist()
    assert rates.rate == pytest.approx(seen.rate, abs=1e-9)
    assert rates.se == pytest.approx(seen.se, abs=1e-9)


def test_a_past_batch_keeps_its_own_wishes(lookback: LookBack) -> None:
    """Its chart has the yeast range that was wished for it, not the one of the batch that followed."""
    assert lookback.view_of(first_batch(lookback)).vessel.yeast_temperature_c == (17, 21)
    assert lookback.vessel("heron").yeast_temperature_c == (18, 24)


def test_the_air_is_that_of_the_batch_alone(lookback: LookBack) -> None:
    """Readings of the day after, around the next batch, are none of its chart."""
    past = first_batch(lookback)
    air = lookback.view_of(past).air
    assert 12 <= len(air.time_s) <= 13
    assert air.time_s.max() <= float(past.end_s or 0)


def test_moved_back_to_an_earlier_batch(lookback: LookBack) -> None:
    """A chart that is moved back before the batch in the vessel says where the rates of that time are."""
    past = first_batch(lookback)
    assert lookback.view("heron", past.start_s, past.start_s + DAY_S).no_rates == EARLIER
    now = lookback.batches("heron")[0]
    assert lookback.view("heron", now.start_s, now.start_s + DAY_S).no_rates != EARLIER


def test_marks_are_found_however_much_came_after(store: Store, lookback: LookBack) -> None:
    """An alarm of a past batch is still marked when a thousand events have followed it."""
    span = first_batch(lookback)
    key = AlarmKey("heron", "leak", "")
    times = [span.start_s + DAY_S, *(float(span.end_s or 0) + 10.0 * n for n in range(1, 1001))]
    with store.transaction() as connection:
        for at in times:
            outbox.add_event(connection, own_event(key, EventKind.RAISED, Priority.HIGH, "A leak.", at))
    assert [mark.time_s for mark in lookback.view_of(span).marks if mark.text == "leak"] == [times[0]]


def test_the_batch_at_a_moment(lookback: LookBack) -> None:
    """A moment leads to the batch that was in the vessel then, or to none."""
    past = first_batch(lookback)
    assert lookback.batch_at("heron", past.start_s + 5 * DAY_S) == past
    assert lookback.batch_at("heron", past.start_s - DAY_S) is None
    now = lookback.batch_at("heron", float(past.end_s or 0) + 4000)
    assert now is not None
    assert (now.name, now.end_s) == ("second", None)


def test_worked_out_once(store: Store, log: VesselLog, watched: WatchedVessel) -> None:
    """A second look costs nothing; a withdrawn entry or another beginning is looked at anew."""
    asked: list[float] = []

    def counting(store: Store, watched: WatchedVessel, start_s: float, end_s: float) -> Record:
        asked.append(start_s)
        return judged(store, watched, start_s, end_s)

    rates = PastRates(store, counting)
    start_s, end_s = float(log.time_s[0]), float(log.time_s[-1])
    for _ in range(3):
        rates.of(watched, start_s, end_s)
    assert len(asked) == 1
    entry = store.add_entry("heron", start_s + DAY_S, "valve shut", made_s=end_s)
    rates.of(watched, start_s, end_s)
    store.strike_entry(entry, made_s=end_s)
    rates.of(watched, start_s, end_s)
    assert len(asked) == 2
    rates.of(replace(watched, vessel=replace(watched.vessel, beer_volume_l=18)), start_s, end_s)
    assert len(asked) == 3


def test_readings_that_are_gone_are_said_to_be(
    tmp_path: Path, log: VesselLog, watched: WatchedVessel
) -> None:
    """When single readings of a batch have grown too old, no rate is made up from what is left of it."""
    with Store.open(f"sqlite:///{tmp_path / 'g.db'}") as store:
        mine = log.kind == Kind.PRESSURE
        rows = zip(log.time_s[mine].tolist(), log.value[mine].tolist(), strict=True)
        store.append([Reading("heron", Quantity.PRESSURE, at, value) for at, value in rows])
        store.flush()
        start_s, end_s = float(log.time_s[0]), float(log.time_s[-1])
        assert PastRates(store).of(watched, start_s, end_s).why_none == ""
        store.retain(now_s=start_s + 9 * DAY_S, keep_days=5)
        assert PastRates(store).of(watched, start_s, end_s).why_none == GONE


def test_two_at_once_take_turns(
    store: Store, log: VesselLog, watched: WatchedVessel, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While one batch is worked out another waits for so long, and then says so rather than hold a thread."""
    entered, leave = threading.Event(), threading.Event()

    def slow(store: Store, watched: WatchedVessel, start_s: float, end_s: float) -> Record:
        entered.set()
        leave.wait(120)
        return judged(store, watched, start_s, end_s)

    monkeypatch.setattr(past_rates, "PATIENCE_S", 0.05)
    rates = PastRates(store, slow)
    start_s, end_s = float(log.time_s[0]), float(log.time_s[-1])
    first = threading.Thread(target=rates.of, args=(watched, start_s, end_s))
    first.start()
    assert entered.wait(60)
    assert rates.of(watched, start_s, end_s - DAY_S).why_none == BUSY
    leave.set()
    first.join(60)
    assert rates.of(watched, start_s, end_s).why_none == ""
