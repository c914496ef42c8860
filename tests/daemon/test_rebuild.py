"""After a restart detectors stand where they stood, and nobody is told anything twice or not at all."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as budget
from hypothesis import strategies as st

from ullage.adapters.reading import Quantity, Reading
from ullage.daemon.alarm_states import Alarm, AlarmKey, AlarmState
from ullage.daemon.clock import ManualClock
from ullage.daemon.config_vessels import WatchedVessel
from ullage.daemon.gate import Refused
from ullage.daemon.rebuild import rebuild
from ullage.daemon.snapshot import dump, fingerprint
from ullage.daemon.store.alarm_tables import alarm_event
from ullage.daemon.store.store import Store
from ullage.daemon.vessel_time import SETTLE_S
from ullage.daemon.watched import Watched
from ullage.detectors.finding import Condition, Finding, Priority, State
from ullage.detectors.registry import compose
from ullage.detectors.samples import Entry, Kind, Samples
from ullage.detectors.stage import Stage, StageChange
from ullage.detectors.vessel import Vessel
from ullage.detectors.waits import FIRST, SECOND
from ullage.detectors.watch import VesselWatch

START_S = 1_790_000_000.0
NORTH = WatchedVessel(
    vessel=Vessel(name="north", total_volume_l=23, beer_volume_l=19, rated_pressure_bar=2.5),
    channels=(),
    detectors=compose({}),
)


@pytest.fixture(name="store")
def _store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(f"sqlite:///{tmp_path / 'ullage.db'}") as store:
        yield store


@pytest.fixture(name="clock")
def _clock() -> ManualClock:
    return ManualClock(wall_s=START_S)


def pressures(*values: float, from_s: float = START_S) -> list[Reading]:
    return [Reading("north", Quantity.PRESSURE, from_s + n, value) for n, value in enumerate(values)]


def keep(store: Store, readings: list[Reading]) -> None:
    store.append(readings)
    store.flush()


def block(readings: list[Reading]) -> Samples:
    return Samples.of(
        Kind.PRESSURE,
        np.array([r.time_s for r in readings]),
        np.array([r.value for r in readings]),
    )


def snapshot(store: Store, readings: list[Reading], clock: ManualClock, entry_id: int = 0) -> Watched:
    """Judge and store readings as the daemon does, and keep the detectors' state."""
    watched = Watched("north", lambda: VesselWatch(NORTH.vessel, NORTH.detectors), clock)
    for reading in readings:
        clock.advance_to(reading.time_s)
        watched.admit(reading, clock.wall_s())
    watched.judge()
    watched.last_entry_id = entry_id
    mark = fingerprint(NORTH.vessel, NORTH.detectors)
    store.save_snapshot("north", saved_s=clock.wall_s(), fingerprint=mark, payload=dump(watched.state()))
    return watched


def alarm(condition: Condition, *, raised_s: float = START_S) -> Alarm:
    return Alarm(
        key=AlarmKey("north", condition.value),
        state=AlarmState.UNACKNOWLEDGED,
        priority=Priority.CRITICAL,
        raised_s=raised_s,
    )


@budget(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    values=st.lists(st.sampled_from([1.0, 2.4, 2.6, 3.0]), min_size=4, max_size=40),
    cuts=st.tuples(st.floats(0, 1), st.floats(0, 1)),
)
def test_verdicts_are_those_of_an_undisturbed_run(
    tmp_path_factory: pytest.TempPathFactory, values: list[float], cuts: tuple[float, float]
) -> None:
    """Snapshot anywhere, end anywhere after it: what comes later is judged the same."""
    clock = ManualClock(wall_s=START_S)
    readings = pressures(*values)
    first, second = sorted(round(c * len(values)) for c in cuts)
    undisturbed = VesselWatch(NORTH.vessel, NORTH.detectors)
    undisturbed.update(block(readings[:second]))
    with Store.open(f"sqlite:///{tmp_path_factory.mktemp('db') / 'ullage.db'}") as store:
        snapshot(store, readings[:first], clock)
        keep(store, readings[:second])
        rebuilt = rebuild(NORTH, store, clock, ())
    assert rebuilt.resumed
    assert rebuilt.readings == second - first
    assert rebuilt.watched.take(block(readings[second:])) == undisturbed.update(block(readings[second:]))


def test_without_a_snapshot_stored_readings_are_judged_from_the_start(
    store: Store, clock: ManualClock
) -> None:
    """The first reading above the limit was stored, the second comes after the restart."""
    keep(store, pressures(1.0, 1.0, 2.6))
    clock.advance(60)
    rebuilt = rebuild(NORTH, store, clock, ())
    assert not rebuilt.resumed
    assert rebuilt.readings == 3
    found = rebuilt.watched.take(block(pressures(2.6, from_s=START_S + 60)))
    assert [f.condition for f in found] == [Condition.OVER_PRESSURE]


@pytest.mark.parametrize("spoiled", ["settings", "bytes", "vessel"])
def test_a_snapshot_that_does_not_fit_is_left_alone(store: Store, clock: ManualClock, spoiled: str) -> None:
    """Other limits, other code or damaged bytes: the stored readings decide."""
    readings = pressures(1.0, 2.2, 2.2)
    snapshot(store, readings, clock)
    keep(store, readings)
    vessel = NORTH
    if spoiled == "vessel":
        vessel = replace(NORTH, vessel=replace(NORTH.vessel, rated_pressure_bar=2.0))
    else:
        mark = fingerprint(NORTH.vessel, NORTH.detectors) if spoiled == "bytes" else "another"
        store.save_snapshot("north", saved_s=START_S, fingerprint=mark, payload=b"\x80\x05]")
    rebuilt = rebuild(vessel, store, clock, ())
    assert not rebuilt.resumed
    assert rebuilt.readings == 3
    over = AlarmKey("north", "over-pressure") in rebuilt.watched.standing
    assert over == (spoiled == "vessel")


def test_an_alarm_that_stands_is_not_told_again(store: Store, clock: ManualClock) -> None:
    """Raised, stored, killed: the rebuilt detectors raise it once more to themselves alone."""
    keep(store, pressures(2.6, 2.6, 2.6))
    rebuilt = rebuild(NORTH, store, clock, [alarm(Condition.OVER_PRESSURE)])
    assert rebuilt.untold == ()
    assert AlarmKey("north", "over-pressure") in rebuilt.watched.standing
    assert AlarmKey("north", "over-pressure") not in rebuilt.watched.orphans


def test_an_alarm_that_came_and_went_in_stored_readings_is_old_news(store: Store, clock: ManualClock) -> None:
    """It was told before its readings were written."""
    keep(store, pressures(2.6, 2.6, 1.0, 1.0))
    assert rebuild(NORTH, store, clock, ()).untold == ()


def test_an_alarm_that_was_never_committed_is_told(store: Store, clock: ManualClock) -> None:
    """The database refused the alarm and took the readings."""
    keep(store, pressures(1.0, 2.6, 2.6))
    untold = rebuild(NORTH, store, clock, ()).untold
    assert [(f.condition, f.state) for f in untold] == [(Condition.OVER_PRESSURE, State.RAISED)]


def test_an_alarm_that_only_the_snapshot_knows_is_told(store: Store, clock: ManualClock) -> None:
    """The detectors' state got to the disk, the alarm did not; told once, the database knows it."""
    readings = pressures(1.0, 2.6, 2.6)
    snapshot(store, readings, clock)
    keep(store, readings)
    untold = rebuild(NORTH, store, clock, ()).untold
    assert [(f.condition, f.state, f.priority) for f in untold] == [
        (Condition.OVER_PRESSURE, State.RAISED, Priority.CRITICAL)
    ]
    assert rebuild(NORTH, store, clock, [alarm(Condition.OVER_PRESSURE)]).untold == ()


def test_a_silence_that_only_the_snapshot_knows_waits_for_the_sensor(
    store: Store, clock: ManualClock
) -> None:
    """It was held back before the restart, and is again: the gap may be the daemon's own."""
    watched = snapshot(store, pressures(1.0), clock)
    silence = Finding(
        time_s=START_S, vessel="north", condition=Condition.SENSOR_SILENT, state=State.RAISED,
        priority=Priority.HIGH, text="silent", subject="pressure",
    )  # fmt: skip
    watched.standing[AlarmKey("north", "sensor-silent", "pressure")] = silence.priority
    mark = fingerprint(NORTH.vessel, NORTH.detectors)
    store.save_snapshot("north", saved_s=START_S, fingerprint=mark, payload=dump(watched.state()))
    keep(store, pressures(1.0))
    rebuilt = rebuild(NORTH, store, clock, ())
    assert rebuilt.untold == ()
    assert rebuilt.watched.tick() == ()
    clock.advance(SETTLE_S + 1)
    assert {f.condition for f in rebuilt.watched.tick()} == {Condition.SENSOR_SILENT}


@pytest.mark.parametrize("speaks", [True, False])
def test_an_entry_made_while_nothing_ran_makes_no_sensor_silent(
    store: Store, clock: ManualClock, speaks: bool
) -> None:
    """The gap up to the entry is the daemon's own; only a sensor that stays away after it is told."""
    watched = snapshot(store, pressures(*[1.0] * 30), clock)
    keep(store, pressures(*[1.0] * 30))
    entry = store.add_entry("north", START_S + 2400, "a note", made_s=START_S + 2400)
    clock.advance_to(START_S + 3600)
    rebuilt = rebuild(NORTH, store, clock, ())
    assert entry > watched.last_entry_id
    assert rebuilt.untold == ()
    if speaks:
        rebuilt.watched.admit(pressures(1.0, from_s=clock.wall_s())[0], clock.wall_s())
        assert rebuilt.watched.tick() == ()
        assert not rebuilt.watched.standing
        return
    assert rebuilt.watched.tick() == ()
    clock.advance(SETTLE_S + 1)
    told = rebuilt.watched.tick()
    assert [(f.condition, f.subject) for f in told] == [(Condition.SENSOR_SILENT, "pressure")]


def test_what_a_clock_that_was_ahead_has_stamped_is_left_out(store: Store, clock: ManualClock) -> None:
    """Detectors that have judged the next hour would see nothing of this one; its snapshot is no use either."""
    ahead = pressures(2.6, 2.6, from_s=START_S + 3600)
    snapshot(store, ahead, ManualClock(wall_s=START_S + 3610))
    keep(store, [*pressures(1.0, 1.0, from_s=START_S - 10), *ahead])
    rebuilt = rebuild(NORTH, store, clock, ())
    assert (rebuilt.resumed, rebuilt.readings) == (False, 2)
    found = rebuilt.watched.take(block(pressures(2.6, 2.6)))
    assert [f.condition for f in found] == [Condition.OVER_PRESSURE]


def test_an_alarm_whose_readings_were_lost_is_an_orphan(store: Store, clock: ManualClock) -> None:
    """It stands in the database; the readings that raised it went with the kill."""
    keep(store, pressures(1.0, 1.0))
    rebuilt = rebuild(NORTH, store, clock, [alarm(Condition.OVER_PRESSURE)])
    assert AlarmKey("north", "over-pressure") in rebuilt.watched.orphans


def test_a_batch_takes_its_own_alarms_with_it(store: Store, clock: ManualClock) -> None:
    """What concerns the vessel stands on; once the batch has ended no stage is made up out of what is measured."""
    readings = pressures(*[0.6] * 3, from_s=START_S) + pressures(0.6, from_s=START_S + 4 * 3600)
    keep(store, readings)
    store.add_entry("north", START_S, "batch ended", made_s=START_S)
    clock.advance_to(START_S + 4 * 3600)
    standing = [alarm(c, raised_s=START_S - 60) for c in (Condition.LEAK, Condition.OVER_PRESSURE)]
    rebuilt = rebuild(NORTH, store, clock, standing, begin_s=START_S)
    assert [(f.condition, f.state) for f in rebuilt.untold] == [(Condition.LEAK, State.CLEARED)]
    assert "batch that it was about has ended" in rebuilt.untold[0].text
    assert AlarmKey("north", "over-pressure") in rebuilt.watched.orphans
    assert AlarmKey("north", "leak") not in rebuilt.watched.orphans
    assert rebuilt.watched.watch.record.stages == ()


class Noting(VesselWatch):
    """Detectors that note a finish at the hundredth second."""

    def update(self, samples: Samples) -> tuple[Finding, ...]:
        return tuple(
            Finding(
                time_s=t, vessel="north", condition=Condition.FINISHED, state=State.NOTED,
                priority=Priority.MEDIUM, text="finished",
            )
            for t in samples.time_s.tolist()
            if t == START_S + 100
        )  # fmt: skip


@pytest.mark.parametrize("noted", [False, True])
def test_a_notice_is_told_exactly_if_the_database_knows_none(
    store: Store, clock: ManualClock, monkeypatch: pytest.MonkeyPatch, noted: bool
) -> None:
    """A kill between finding and commit must not swallow `finished`, nor a restart repeat it."""
    monkeypatch.setattr("ullage.daemon.rebuild.VesselWatch", Noting)
    keep(store, pressures(*[1.0] * 200))
    clock.advance(200)
    if noted:
        with store.transaction() as connection:
            connection.execute(
                alarm_event.insert().values(
                    token="T", vessel="north", condition="finished", subject="", kind="noted", evidence="",
                    time_ms=round((START_S + 98) * 1000), made_ms=0, priority="medium", text="", unit="",
                )
            )  # fmt: skip
    untold = rebuild(NORTH, store, clock, ()).untold
    assert [f.condition for f in untold] == ([] if noted else [Condition.FINISHED])


class Fining(VesselWatch):
    """Detectors that find both doses due, and the batch in a stage of the test's."""

    stage = Stage.FIRST_FINING

    def update(self, samples: Samples) -> tuple[Finding, ...]:
        self.record.stages = (StageChange(stage=self.stage, since_s=START_S, why="the test says so"),)
        return tuple(
            Finding(
                time_s=START_S + hours, vessel="north", condition=Condition.FINING_DUE, state=State.NOTED,
                priority=Priority.MEDIUM, text=subject, subject=subject,
            )
            for hours, subject in enumerate((FIRST, SECOND))
        )  # fmt: skip


@pytest.mark.parametrize(
    ("stage", "told"),
    [(Stage.FIRST_FINING, [SECOND]), (Stage.SECOND_FINING, []), (Stage.CHILLING, [])],
)
def test_the_second_dose_is_told_though_the_first_was_unless_it_was_given(
    store: Store, monkeypatch: pytest.MonkeyPatch, stage: Stage, told: list[str]
) -> None:
    """A first dose entered half a day late: the second is due at once; entered late as well, it is due no more."""
    monkeypatch.setattr(Fining, "stage", stage)
    monkeypatch.setattr("ullage.daemon.rebuild.VesselWatch", Fining)
    keep(store, pressures(1.0))
    with store.transaction() as connection:
        connection.execute(
            alarm_event.insert().values(
                token="T", vessel="north", condition="fining-due", subject=FIRST, kind="noted", evidence="",
                time_ms=round(START_S * 1000), made_ms=0, priority="medium", text="", unit="",
            )
        )  # fmt: skip
    untold = rebuild(NORTH, store, ManualClock(wall_s=START_S + 10), ()).untold
    assert [f.subject for f in untold] == told


class Entering(VesselWatch):
    """Detectors that remember the order of what they were given."""

    def __init__(self, vessel: Vessel, settings: object = None) -> None:
        super().__init__(vessel)
        self.order: list[object] = []

    def update(self, samples: Samples) -> tuple[Finding, ...]:
        self.order.append(len(samples))
        return ()

    def enter(self, entry: Entry) -> tuple[Finding, ...]:
        self.order.append(entry.text)
        return ()


def test_entries_stand_at_their_place_among_the_readings(
    store: Store, clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As they would in a replay."""
    monkeypatch.setattr("ullage.daemon.rebuild.VesselWatch", Entering)
    keep(store, pressures(*[1.0] * 10))
    store.add_entry("north", START_S + 3.5, "valve shut", made_s=START_S + 4)
    store.add_entry("north", START_S - 60, "pitched", made_s=START_S)
    store.add_entry("north", START_S + 3600, "tapped", made_s=START_S + 3600)
    watch = rebuild(NORTH, store, clock, ()).watched.watch
    assert isinstance(watch, Entering)
    assert watch.order == ["pitched", 4, "valve shut", 6, "tapped"]


def test_entries_made_after_the_snapshot_are_taken_whatever_their_date(
    store: Store, clock: ManualClock
) -> None:
    """`journal --at yesterday` while the daemon was down; earlier entries are in the snapshot."""
    known = store.add_entry("north", START_S, "pitched", made_s=START_S)
    snapshot(store, pressures(1.0, 1.0), clock, entry_id=known)
    late = store.add_entry("north", START_S - 3600, "valve set 1.5", made_s=START_S + 10)
    rebuilt = rebuild(NORTH, store, clock, ())
    assert rebuilt.watched.last_entry_id == late


def test_what_a_broker_delivers_again_after_the_restart_is_known(store: Store, clock: ManualClock) -> None:
    """Judged and stored, but the acknowledgement went with the kill."""
    readings = pressures(1.0, 1.1, 1.2)
    keep(store, readings)
    watched = rebuild(NORTH, store, clock, ()).watched
    clock.advance(5)
    assert [watched.admit(r, clock.wall_s()) for r in readings] == [Refused.REPEATED] * 3
    assert watched.admit(pressures(1.3, from_s=START_S + 4)[0], clock.wall_s()) is None


def test_judging_again_begins_a_day_before_the_latest_pitching(store: Store, clock: ManualClock) -> None:
    """The batch before it says nothing about this one."""
    day_s = 86_400.0
    keep(store, [Reading("north", Quantity.PRESSURE, START_S - d * day_s, 1.0) for d in range(40)])
    store.add_entry("north", START_S - 10 * day_s, "pitched", made_s=START_S)
    assert rebuild(NORTH, store, clock, ()).readings == 12


def test_a_vessel_without_any_reading_starts_fresh(store: Store, clock: ManualClock) -> None:
    """The first start of all."""
    rebuilt = rebuild(NORTH, store, clock, ())
    assert (rebuilt.readings, rebuilt.untold, rebuilt.resumed) == (0, (), False)
    assert rebuilt.watched.time.now_s() == pytest.approx(clock.wall_s())
