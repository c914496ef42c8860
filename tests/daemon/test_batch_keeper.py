"""Detectors begin anew with a batch, and what they derive is written down; through restarts and corrections."""

import itertools
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.servers.daemon import wait_until
from ullage.adapters.reading import Delivery, Quantity, Reading
from ullage.adapters.recorded_log import read_log
from ullage.daemon import batches
from ullage.daemon.alarm_states import AlarmState
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.batch_keeper import BatchKeeper
from ullage.daemon.clock import ManualClock
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.pipeline import Pipeline
from ullage.daemon.pitching import take_over
from ullage.daemon.rebuild import rebuild
from ullage.daemon.routes import Nobody
from ullage.daemon.snapshot import dump, fingerprint
from ullage.daemon.store import batches as stored
from ullage.daemon.store.store import Store
from ullage.detectors.batch import Batch, Beverage
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.registry import compose
from ullage.detectors.samples import Entry, Kind
from ullage.detectors.stage import Stage, StageChange
from ullage.detectors.vessel import Probe, Vessel

LOG = Path(__file__).parents[2] / "replay_fixtures" / "heron_pitched_to_tap.csv.gz"
HERON = WatchedVessel(
    vessel=Vessel(
        name="heron",
        total_volume_l=23,
        beer_volume_l=19,
        rated_pressure_bar=3.0,
        valve_pressure_bar=1.5,
        yeast_temperature_c=(18, 24),
        original_gravity=1.048,
        probe=Probe.BEER,
    ),
    channels=(),
    detectors=compose({}),
)
HOUR = 3600.0
QUANTITIES = {int(Kind.TEMPERATURE): Quantity.TEMPERATURE, int(Kind.PRESSURE): Quantity.PRESSURE}


def raised(condition: Condition, time_s: float) -> Finding:
    """Return an alarm that is raised."""
    return Finding(
        time_s=time_s,
        vessel="heron",
        condition=condition,
        state=State.RAISED,
        priority=Priority.HIGH,
        text=f"{condition.value}.",
    )


class Cellar:
    """The running daemon's parts about batches, on a clock of its own."""

    def __init__(self, path: Path, clock: ManualClock) -> None:
        self.clock = clock
        self.store = Store.open(f"sqlite:///{path}")
        self.desk = AlarmDesk(self.store, Nobody(lambda _: ()), clock)
        self.view = batches.view(self.store, HERON)
        made = rebuild(
            self.view.watched,
            self.store,
            clock,
            self.desk.standing(),
            begin_s=self.view.begin_s,
            mark=self.view.mark,
        )
        self.rebuilt = made
        self.fingerprints = {"heron": self.mark()}
        self.pipeline = Pipeline({"heron": made.watched}, self.store, self.desk, clock)
        self.keeper = BatchKeeper(
            [HERON],
            [self.view],
            store=self.store,
            desk=self.desk,
            pipeline=self.pipeline,
            clock=clock,
            fingerprints=self.fingerprints,
        )

    def mark(self) -> str:
        return fingerprint(self.view.watched.vessel, self.view.watched.detectors, self.view.mark)

    def turn(self) -> None:
        """One look of the keeper, the pipeline's part of it included."""
        self.keeper.turn()
        self.pipeline.turn()
        self.keeper.turn()

    def stages(self) -> list[Stage]:
        batch = batches.current(self.store, "heron")
        changes = stored.stages(self.store, "heron", 0 if batch is None else batch.id)
        return [change.stage for change in changes if change.undone_s is None]

    def stop(self) -> None:
        state = self.pipeline.watched["heron"].state()
        mark = self.fingerprints["heron"]
        self.store.save_snapshot("heron", saved_s=self.clock.wall_s(), fingerprint=mark, payload=dump(state))
        self.keeper.stop()
        self.store.close()


class Tale:
    """The recorded ale, told hour by hour as the sensors would."""

    def __init__(self) -> None:
        log = read_log(LOG).vessels["heron"]
        self.start_s = log.entries[0].time_s
        self.rows = [
            Reading("heron", QUANTITIES[kind], time_s, value)
            for time_s, kind, value in zip(
                log.time_s.tolist(), log.kind.tolist(), log.value.tolist(), strict=True
            )
        ]
        self.entries = log.entries

    def tell(self, cellar: Cellar, from_h: float, to_h: float) -> None:
        """Deliver the readings and enter the entries of some hours."""
        low, high = self.start_s + from_h * HOUR, self.start_s + to_h * HOUR
        step_s = 4 * HOUR
        entries = [entry for entry in self.entries if low <= entry.time_s < high]
        readings = [reading for reading in self.rows if low <= reading.time_s < high]
        while readings:
            until_s = readings[0].time_s + step_s
            until_s = min([until_s, *(entry.time_s for entry in entries[:1])])
            due = [reading for reading in readings if reading.time_s < until_s]
            readings = readings[len(due) :]
            if due:
                cellar.clock.advance_to(due[-1].time_s)
                cellar.pipeline.deliver(Delivery("cellar", readings=tuple(due)))
                cellar.pipeline.turn()
            elif entries:
                entry = entries.pop(0)
                cellar.clock.advance_to(entry.time_s)
                number = cellar.store.add_entry("heron", entry.time_s, entry.text, made_s=entry.time_s)
                cellar.pipeline.enter("heron", Entry(time_s=entry.time_s, text=entry.text), number)
        cellar.store.flush()
        cellar.turn()


@pytest.fixture(name="tale", scope="module")
def _tale() -> Tale:
    return Tale()


@pytest.fixture(name="clock")
def _clock(tale: Tale) -> ManualClock:
    return ManualClock(wall_s=tale.start_s)


@pytest.fixture(name="cellar")
def _cellar(tmp_path: Path, clock: ManualClock) -> Iterator[Cellar]:
    cellar = Cellar(tmp_path / "ullage.db", clock)
    yield cellar
    cellar.store.close()


def test_stages_are_written_down_as_they_come(cellar: Cellar, tale: Tale) -> None:
    """In a vessel of which nobody began a batch: pitching has begun one."""
    tale.tell(cellar, 0, 30)
    batch = batches.current(cellar.store, "heron")
    assert batch is not None
    assert batch.began_s == tale.start_s
    assert cellar.stages() == [Stage.PITCHED, Stage.LAG, Stage.ACTIVE, Stage.HELD]
    step = stored.next_step(cellar.store, "heron")
    assert step is not None
    assert step.text == "Nothing: the end will be told"


def test_a_batch_begins_with_the_pitching_just_entered(cellar: Cellar, tale: Tale) -> None:
    """`batch start` hours later gives it its wishes and does not lose the beginning."""
    tale.tell(cellar, 0, 14)
    wishes = Batch(original_gravity=1.06)
    begun = take_over(cellar.store, "heron", wishes, now_s=cellar.clock.wall_s())
    assert begun is not None
    assert begun.began_s == tale.start_s
    cellar.turn()
    assert cellar.stages() == [Stage.PITCHED, Stage.LAG, Stage.ACTIVE, Stage.HELD]
    assert cellar.pipeline.watched["heron"].watch.vessel.original_gravity == 1.06


def test_a_new_batch_is_a_fresh_start(cellar: Cellar, tale: Tale) -> None:
    """Detectors know nothing of the batch before: no stage, no valve, no finished; its alarms and entries neither."""
    tale.tell(cellar, 0, 200)
    assert cellar.stages()[-1] is Stage.CHILLING
    old = cellar.pipeline.watched["heron"].watch
    now_s = cellar.clock.wall_s()
    first = batches.current(cellar.store, "heron")
    assert first is not None
    stored.end(cellar.store, first.id, ended_s=now_s, summary="")
    begun = batches.begin(cellar.store, "heron", Batch(beverage=Beverage.CIDER), now_s=now_s, began_s=now_s)
    cellar.turn()
    new = cellar.pipeline.watched["heron"]
    assert new.watch is not old
    assert new.watch.record.finished_s is None
    assert new.watch.record.chill_s is None
    assert cellar.stages() == []
    late = Entry(time_s=now_s - HOUR, text="chill 2")
    cellar.pipeline.enter("heron", late, 999)
    assert new.watch.record.chill_s is None
    assert (
        stored.stages(cellar.store, "heron", first.id)[-1].stage is Stage.CHILLING
    )  # what was before is kept
    assert begun.id != first.id


def test_a_new_pitching_ends_the_alarms_of_the_batch_before(cellar: Cellar, tale: Tale) -> None:
    """As `batch end` does: what was about the old beer asks nobody any more; what came since, and the vessel's own, stands."""
    tale.tell(cellar, 0, 200)
    now_s = cellar.clock.wall_s()
    batch = batches.current(cellar.store, "heron")
    assert batch is not None
    cellar.desk.take(
        [
            raised(Condition.STALLED, now_s - HOUR),
            raised(Condition.OVER_PRESSURE, now_s - HOUR),
            raised(Condition.LEAK, now_s),
        ]
    )
    cellar.store.add_entry("heron", now_s - 2 * HOUR, "tapped", made_s=now_s)
    ready = StageChange(stage=Stage.ON_TAP, since_s=now_s - 2 * HOUR, why="the journal says so")
    stored.keep_stages(cellar.store, "heron", batch.id, (ready,), None)
    cellar.store.add_entry("heron", now_s - 60, "pitched", made_s=now_s)
    cellar.turn()
    begun = batches.current(cellar.store, "heron")
    assert begun is not None
    assert begun.id != batch.id
    standing = {a.condition: (a.state, a.acknowledged_by) for a in cellar.desk.standing("heron")}
    assert "stalled" not in standing
    assert standing["over-pressure"][0] is AlarmState.UNACKNOWLEDGED
    assert standing["leak"][0] is AlarmState.UNACKNOWLEDGED
    (acknowledged,) = [t for t in cellar.desk.transitions("heron") if t.actor == "pitched"]
    assert acknowledged.key.condition == "stalled"


def test_readings_are_not_lost_between_the_old_detectors_and_the_new(cellar: Cellar, tale: Tale) -> None:
    """What comes while the new ones are made is judged by them."""
    tale.tell(cellar, 0, 14)
    take_over(cellar.store, "heron", Batch(original_gravity=1.06), now_s=cellar.clock.wall_s())
    cellar.keeper.turn()  # made, not yet put in place
    low, high = tale.start_s + 14 * HOUR, tale.start_s + 15 * HOUR
    between = tuple(reading for reading in tale.rows if low <= reading.time_s < high)
    cellar.clock.advance_to(between[-1].time_s)
    cellar.pipeline.deliver(Delivery("cellar", readings=between))
    cellar.pipeline.turn()
    cellar.pipeline.turn()
    record = cellar.pipeline.watched["heron"].watch.record
    assert record.now_s > low
    assert record.age_h == pytest.approx(15 - 4.33, abs=0.5)


def test_a_struck_entry_is_forgotten_by_the_detectors(cellar: Cellar, tale: Tale) -> None:
    """A dose of finings entered by mistake: the stage before it stands again, at once and after a restart."""
    tale.tell(cellar, 0, 204.5)
    assert cellar.stages()[-1] is Stage.FIRST_FINING
    (fined,) = [entry for entry in cellar.store.entries("heron") if entry.text == "fined 15"]
    cellar.store.strike_entry(fined.id, made_s=cellar.clock.wall_s())
    cellar.turn()
    assert cellar.stages()[-1] is Stage.COLD


def test_an_entry_made_late_counts_as_it_will_after_a_restart(cellar: Cellar, tale: Tale) -> None:
    """Two doses, the first entered after the second: two doses at once, not only once the detectors have begun anew."""
    tale.tell(cellar, 0, 216)
    assert cellar.stages()[-1] is Stage.FIRST_FINING
    now_s = cellar.clock.wall_s()
    (fined,) = [entry for entry in cellar.store.entries("heron") if entry.text == "fined 15"]
    cellar.store.add_entry("heron", fined.time_s - 6 * HOUR, "fined 15", made_s=now_s)
    cellar.turn()
    assert cellar.stages()[-2:] == [Stage.FIRST_FINING, Stage.SECOND_FINING]


def test_a_restart_in_every_stage_goes_on_where_it_was(tmp_path: Path, tale: Tale) -> None:
    """Stopped and started in each, with its snapshot and without: in the end every stage, once."""
    clock = ManualClock(wall_s=tale.start_s)
    moments = [0, 0.5, 1.3, 6, 40, 152, 165, 180, 203.2, 210, 255, 270, 274.4]
    for number, (from_h, to_h) in enumerate(itertools.pairwise(moments)):
        cellar = Cellar(tmp_path / "ullage.db", clock)
        assert cellar.rebuilt.resumed is (number > 0 and number % 2 == 1)
        assert not cellar.rebuilt.untold
        tale.tell(cellar, from_h, to_h)
        if number % 2 == 0:
            cellar.stop()
        else:
            cellar.store.close()  # killed: what was judged since the last snapshot is judged again
            with Store.open(f"sqlite:///{tmp_path / 'ullage.db'}") as store:
                store.save_snapshot("heron", saved_s=0.0, fingerprint="of another version", payload=b"")
    cellar = Cellar(tmp_path / "ullage.db", clock)
    cellar.turn()
    assert cellar.stages() == [stage for stage in Stage if stage is not Stage.WARM_REST]
    told = [event.alarm.condition for event in cellar.desk.history("heron") if event.kind.value == "noted"]
    assert sorted(told) == sorted(
        ["activity", "held", "finished", "chilled", "fining-due", "fining-due", "ready"]
    )
    cellar.store.close()


def test_the_thread_goes_round(cellar: Cellar) -> None:
    """Started and stopped as a part of the daemon."""
    cellar.pipeline.start()
    cellar.keeper.start()
    batches.begin(cellar.store, "heron", Batch(name="x"), now_s=time.time())
    wait_until(
        lambda: (b := cellar.pipeline.watched["heron"].watch.vessel.batch) is not None and b.name == "x",
        "new detectors",
    )
    cellar.keeper.stop()
    cellar.pipeline.stop()


def adopted(store: Store, block: Batch | None, now_s: float, began_s: float | None = None) -> None:
    vessel = WatchedVessel(
        vessel=HERON.vessel.carrying(None) if block is None else HERON.vessel.carrying(block),
        channels=(),
        detectors={},
        batch_began_s=began_s,
    )
    batches.adopt(store, vessel, now_s)


def test_a_batch_of_the_configuration_begins_once(tmp_path: Path) -> None:
    """Its wishes may change meanwhile; once ended it stays so until it gets another name or beginning."""
    t0 = 1_780_000_000.0
    with Store.open(f"sqlite:///{tmp_path / 'a.db'}") as store:
        adopted(store, None, t0)
        assert batches.current(store, "heron") is None
        adopted(store, Batch(name="one"), t0)
        adopted(store, Batch(name="one", carbonation="5 g/L"), t0 + 100)
        one = batches.current(store, "heron")
        assert one is not None
        assert (one.began_s, one.wishes.carbonation) == (t0, "5 g/L")
        stored.end(store, one.id, ended_s=t0 + 200, summary="")
        adopted(store, Batch(name="one"), t0 + 300)
        assert batches.current(store, "heron") is None
        adopted(store, Batch(name="two"), t0 + 300)
        adopted(store, Batch(name="three"), t0 + 400, began_s=t0 + 390)
        found = [(b.wishes.name, b.began_s, b.ended_s) for b in stored.all_batches(store, "heron")]
        assert found == [
            ("one", t0, t0 + 200),
            ("two", t0 + 300, t0 + 390),
            ("three", t0 + 390, None),
        ]


def test_a_batch_by_command_wins_over_the_configuration(tmp_path: Path) -> None:
    """It goes on, and the block waits."""
    t0 = 1_780_000_000.0
    with Store.open(f"sqlite:///{tmp_path / 'a.db'}") as store:
        batches.begin(store, "heron", Batch(name="mine"), now_s=t0)
        adopted(store, Batch(name="file"), t0 + 100)
        found = batches.current(store, "heron")
        assert found is not None
        assert found.wishes.name == "mine"
