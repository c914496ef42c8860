"""The alarm desk on a real database: what is told, what is remembered, what is never told twice."""

import sqlite3
from collections.abc import Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

import pytest
import sqlalchemy as sa
from pydantic import ValidationError

from tests.daemon.desk_kit import T0, Recorder, finding, open_store
from ullage.adapters.errors import ConfigError, StoreError
from ullage.daemon import outbox
from ullage.daemon.alarm_settings import AlarmSettings
from ullage.daemon.alarm_states import AlarmState, Cause
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.clock import ManualClock
from ullage.daemon.events import Event, EventKind
from ullage.daemon.routes import Nobody
from ullage.daemon.store.store import Store
from ullage.detectors.finding import Condition, Priority, State

HIGH = Condition.TEMPERATURE_HIGH
OVER = Condition.OVER_PRESSURE


@dataclass
class Bench:
    """A desk with everything around it."""

    store: Store
    clock: ManualClock
    routes: Recorder
    desk: AlarmDesk

    def restart(self) -> None:
        self.desk = AlarmDesk(self.store, self.routes, self.clock)

    def elsewhere(self) -> AlarmDesk:
        """Return the desk of another process."""
        return AlarmDesk(self.store, Nobody(), self.clock, from_memory=False)

    def told(self) -> list[str]:
        return [message.event.kind.value for message in self.routes.messages]


@pytest.fixture(name="bench")
def _bench(tmp_path: Path) -> Iterator[Bench]:
    with open_store(tmp_path) as store:
        clock, routes = ManualClock(T0), Recorder()
        yield Bench(store, clock, routes, AlarmDesk(store, routes, clock))


def _kinds(events: tuple[Event, ...]) -> list[EventKind]:
    return [event.kind for event in events]


def test_an_alarm_raised_again_is_no_news_but_its_number_is(bench: Bench) -> None:
    """A standing alarm that is raised again tells nobody, and shows the newer value, also after a restart."""
    assert _kinds(bench.desk.take([finding(value=24.6)])) == [EventKind.RAISED]
    assert bench.desk.take([finding(value=25.9, time_s=T0 + 60)]) == ()
    assert [alarm.value for alarm in bench.desk.standing()] == [25.9]
    bench.desk.remind()
    bench.restart()
    assert [alarm.value for alarm in bench.desk.standing()] == [25.9]
    assert bench.told() == ["raised"]


def test_clearing_what_does_not_stand_is_nothing(bench: Bench) -> None:
    """The end of an alarm that was never raised, or has ended already, tells nobody."""
    assert bench.desk.take([finding(state=State.CLEARED)]) == ()
    bench.desk.take([finding(time_s=T0 + 1)])
    assert _kinds(bench.desk.take([finding(state=State.CLEARED, time_s=T0 + 2)])) == [EventKind.CLEARED]
    assert bench.desk.take([finding(state=State.CLEARED, time_s=T0 + 3)]) == ()


def test_one_batch_may_hold_a_whole_life(bench: Bench) -> None:
    """Raised, cleared and raised again in one call are three events in that order, whatever stood before."""
    batch = [
        finding(time_s=T0),
        finding(state=State.CLEARED, time_s=T0 + 1),
        finding(time_s=T0 + 2),
    ]
    assert _kinds(bench.desk.take(batch)) == [EventKind.RAISED, EventKind.CLEARED, EventKind.RAISED]
    swap = [finding(state=State.CLEARED, time_s=T0 + 3), finding(time_s=T0 + 4)]
    assert _kinds(bench.desk.take(swap)) == [EventKind.CLEARED, EventKind.RAISED]
    assert [alarm.state for alarm in bench.desk.standing()] == [AlarmState.UNACKNOWLEDGED]


def test_sensors_have_alarms_of_their_own(bench: Bench) -> None:
    """Two silent sensors of one vessel are two alarms; one that speaks again leaves the other silent."""
    for subject in ("temperature", "pressure"):
        bench.desk.take([finding(Condition.SENSOR_SILENT, subject=subject)])
    bench.desk.take([finding(Condition.SENSOR_SILENT, State.CLEARED, subject="pressure", time_s=T0 + 9)])
    states = {alarm.subject: alarm.state for alarm in bench.desk.standing()}
    assert states == {"temperature": AlarmState.UNACKNOWLEDGED, "pressure": AlarmState.RETURNED}


def test_a_notice_is_told_once(bench: Bench) -> None:
    """The same notice of the same moment again, also after a restart, is nothing; of another moment it is news."""
    finished = finding(Condition.FINISHED)
    assert _kinds(bench.desk.take([finished])) == [EventKind.NOTED]
    assert bench.desk.take([finished, finished]) == ()
    bench.restart()
    assert bench.desk.take([finished]) == ()
    assert len(bench.desk.take([finding(Condition.FINISHED, time_s=T0 + 1)])) == 1
    assert bench.desk.standing() == ()


def test_nothing_is_told_or_forgotten_by_judging_stored_readings_again(bench: Bench) -> None:
    """After a restart detectors say everything again, some of it dated a little differently; only the new is news."""
    life = [
        finding(time_s=T0),
        finding(Condition.ACTIVITY, time_s=T0 + 5),
        finding(state=State.CLEARED, time_s=T0 + 10),
    ]
    bench.desk.take(life)
    bench.restart()
    again = [
        finding(time_s=T0 - 30),
        finding(Condition.ACTIVITY, time_s=T0 + 4),
        finding(state=State.CLEARED, time_s=T0 + 9),
        finding(time_s=T0 + 20),
        finding(Condition.FINISHED, time_s=T0 + 30),
    ]
    events = bench.desk.take(again, replayed=True)
    assert [(event.alarm.condition, event.time_s) for event in events] == [
        (HIGH.value, T0 + 20),
        (Condition.FINISHED.value, T0 + 30),
    ]
    assert bench.told() == ["raised", "noted", "cleared", "raised", "noted"]


def test_a_clock_set_back_hides_no_alarm(bench: Bench) -> None:
    """An alarm dated before the last one of its kind, as after a step of the clock, is told all the same."""
    bench.desk.take([finding(time_s=T0), finding(state=State.CLEARED, time_s=T0 + 10)])
    assert _kinds(bench.desk.take([finding(time_s=T0 - 3600)])) == [EventKind.RAISED]


def test_alarms_survive_a_restart_as_they_stood(bench: Bench) -> None:
    """State, numbers, acknowledgement and shelf are the same after a restart, and no message goes out for it."""
    bench.desk.take([finding(), finding(Condition.LEAK), finding(OVER, value=2.61)])
    bench.desk.acknowledge("north", Condition.LEAK, "Ada")
    bench.desk.shelve("north", HIGH, 2, "Ada")
    before, told = bench.desk.standing(), bench.told()
    bench.clock.advance(30)
    bench.restart()
    assert bench.desk.standing() == before
    assert bench.told() == told
    assert before[0].condition == OVER.value


def test_every_change_is_logged_with_cause_actor_and_time(bench: Bench) -> None:
    """The log of changes says what led where, who did it, and when."""
    bench.desk.take([finding()])
    bench.clock.advance(60)
    bench.desk.acknowledge("north", None, "Ada")
    bench.desk.take([finding(state=State.CLEARED, time_s=T0 + 90)])
    log = [(t.before, t.after, t.cause, t.actor, t.time_s) for t in reversed(bench.desk.transitions("north"))]
    assert log == [
        (AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, Cause.RAISED, "detector", T0),
        (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, Cause.ACKNOWLEDGED, "Ada", T0 + 60),
        (AlarmState.ACKNOWLEDGED, AlarmState.NORMAL, Cause.CLEARED, "detector", T0 + 90),
    ]


def test_acknowledging_all_of_a_vessel_leaves_other_vessels(bench: Bench) -> None:
    """Without a condition everything of the vessel is acknowledged, and nothing of another."""
    bench.desk.take([finding(), finding(Condition.LEAK), finding(vessel="south")])
    changed = bench.desk.acknowledge("north", None, "Ada")
    assert {alarm.condition for alarm in changed} == {HIGH.value, Condition.LEAK.value}
    assert [alarm.state for alarm in bench.desk.standing("south")] == [AlarmState.UNACKNOWLEDGED]
    assert bench.desk.acknowledge("north", None, "Ada") == ()


def test_over_pressure_repeats_until_acknowledged(bench: Bench) -> None:
    """Every ten minutes it is told again, under the same id with a count, until somebody acknowledges it."""
    bench.desk.take([finding(OVER)])
    for _ in range(45):
        bench.clock.advance(60)
        bench.desk.remind()
    reminders = bench.routes.messages[1:]
    assert [m.event.kind for m in reminders] == [EventKind.REMINDER] * 4
    token = bench.routes.messages[0].event.token
    assert [m.event.token for m in reminders] == [f"{token}-{n}" for n in (2, 3, 4, 5)]
    bench.desk.acknowledge("north", OVER, "Ada")
    for _ in range(45):
        bench.clock.advance(60)
        assert bench.desk.remind() == ()


def test_over_pressure_that_is_over_still_asks_but_less_often(bench: Bench) -> None:
    """Nobody has acknowledged it, so it repeats, once an hour."""
    bench.desk.take([finding(OVER), finding(OVER, State.CLEARED, time_s=T0 + 1)])
    told = 0
    for _ in range(130):
        bench.clock.advance(60)
        told += len(bench.desk.remind())
    assert told == 2


def test_reminders_go_by_passed_time_not_by_the_clock_on_the_wall(bench: Bench) -> None:
    """A wall clock set back an hour delays no reminder, one set forward brings none early."""
    bench.desk.take([finding(OVER)])
    bench.desk.remind()
    bench.clock.step(-3600)
    bench.clock.advance(599)
    assert bench.desk.remind() == ()
    bench.clock.advance(2)
    assert len(bench.desk.remind()) == 1
    bench.desk.remind()
    bench.clock.step(86_400)
    assert bench.desk.remind() == ()


def test_reminders_go_on_after_a_restart(bench: Bench) -> None:
    """The pause counts from the last telling, not from the restart."""
    bench.desk.take([finding(OVER)])
    bench.clock.advance(400)
    bench.restart()
    assert bench.desk.remind() == ()
    bench.clock.advance(201)
    assert len(bench.desk.remind()) == 1


def test_what_was_acknowledged_long_ago_asks_again(bench: Bench) -> None:
    """An over-pressure acknowledged an hour ago that still holds goes back to unacknowledged and is told."""
    bench.desk.take([finding(OVER)])
    bench.desk.acknowledge("north", OVER, "Ada")
    bench.desk.remind()
    bench.clock.advance(3601)
    assert _kinds(bench.desk.remind()) == [EventKind.REMINDER]
    assert [alarm.state for alarm in bench.desk.standing()] == [AlarmState.UNACKNOWLEDGED]
    assert bench.desk.transitions()[0].cause is Cause.REALARMED


def test_a_shelf_silences_and_ends_by_itself(bench: Bench) -> None:
    """Under a shelf an alarm is recorded and not told; when the shelf ends what still holds is."""
    until_s = bench.desk.shelve("north", HIGH, 2, "Ada")
    assert until_s == T0 + 7200
    bench.desk.take([finding()])
    assert [a.shelved_until_s for a in bench.desk.standing()] == [until_s]
    assert bench.told() == []
    bench.clock.advance(7199)
    assert bench.desk.tick() == bench.desk.remind() == ()
    bench.clock.advance(2)
    assert len(bench.desk.tick()) == 1
    assert bench.told() == ["reminder"]
    assert bench.desk.shelved() == ()
    assert [event.kind for event in bench.desk.history()] == [EventKind.REMINDER, EventKind.RAISED]


def test_a_shelf_ends_in_time_when_the_clock_is_set(bench: Bench) -> None:
    """A wall clock set back two days keeps a shelf of two hours no longer than two hours, nor twelve after a restart."""
    bench.desk.shelve("north", HIGH, 2, "Ada")
    bench.desk.tick()
    bench.clock.step(-172_800)
    bench.clock.advance(7201)
    bench.desk.tick()
    assert bench.desk.shelved() == ()
    bench.desk.shelve("north", HIGH, 2, "Ada")
    bench.clock.step(-172_800)
    bench.restart()
    bench.desk.tick()
    bench.clock.advance(12 * 3600 + 1)
    bench.desk.tick()
    assert bench.desk.shelved() == ()


@pytest.mark.parametrize(
    ("condition", "hours", "words"),
    [
        (OVER.value, 1.0, "can't be shelved"),
        (HIGH.value, 12.5, "at most 12"),
        (HIGH.value, 0.0, "above 0"),
        (HIGH.value, float("nan"), "above 0"),
        ("temprature-high", 1.0, "is no alarm"),
        (Condition.FINISHED.value, 1.0, "is no alarm"),
    ],
)
def test_what_may_not_be_shelved(bench: Bench, condition: str, hours: float, words: str) -> None:
    """Over-pressure never, nothing for more than twelve hours, and only what is an alarm."""
    with pytest.raises(ConfigError, match=words):
        bench.desk.shelve("north", condition, hours, "Ada")
    assert bench.desk.shelved() == ()


def test_an_acknowledgement_from_elsewhere_is_noticed(bench: Bench) -> None:
    """What another process acknowledges or shelves through the database counts here with the next tick."""
    bench.desk.take([finding(), finding(Condition.LEAK)])
    other = bench.elsewhere()
    assert len(other.acknowledge("north", HIGH, "Ada")) == 1
    other.shelve("north", Condition.LEAK, 1, "Ada")
    bench.desk.tick()
    standing = {alarm.condition: alarm for alarm in bench.desk.standing()}
    assert standing[HIGH].state is AlarmState.ACKNOWLEDGED
    assert standing[Condition.LEAK].shelved_until_s is not None


def test_an_acknowledgement_from_elsewhere_counts_even_before_it_is_noticed(bench: Bench) -> None:
    """An alarm acknowledged elsewhere a moment ago ends as normal, though this process did not know of it yet."""
    bench.desk.take([finding()])
    bench.elsewhere().acknowledge("north", HIGH, "Ada")
    bench.desk.take([finding(state=State.CLEARED, time_s=T0 + 5)])
    assert bench.desk.standing() == ()


def test_a_flood_is_told_as_one(bench: Bench) -> None:
    """From the eleventh alarm in ten minutes on messages wait for a digest that names the first; over-pressure not."""
    for number in range(14):
        bench.clock.advance(1)
        bench.desk.take([finding(vessel=f"v{number}", time_s=bench.clock.wall_s())])
    bench.desk.take([finding(OVER, vessel="v3")])
    held = [message.hold_until_s is not None for message in bench.routes.messages]
    assert held == [False] * 10 + [True] * 4 + [False]
    first = bench.routes.messages[0].event
    assert {m.flood_first for m in bench.routes.messages[10:14]} == {
        f"temperature-high in v0 (id {first.token})"
    }
    bench.clock.advance(1200)
    bench.desk.take([finding(Condition.LEAK, time_s=bench.clock.wall_s())])
    assert bench.routes.messages[-1].hold_until_s is None


def test_alarms_of_detectors_that_no_longer_hold_them_are_cleared(bench: Bench) -> None:
    """After a rebuild what the detectors still hold stays, the rest is cleared; own alarms are not theirs to clear."""
    bench.desk.take(
        [finding(), finding(Condition.SENSOR_SILENT, subject="pressure"), finding(vessel="south")]
    )
    bench.desk.report("source-lost", True, "cellar is out of reach", subject="cellar")
    bench.restart()
    events = bench.desk.reconcile("north", {(HIGH, "")}, T0 + 50)
    assert [(event.alarm.subject, event.kind) for event in events] == [("pressure", EventKind.CLEARED)]
    active = {(alarm.vessel, alarm.condition) for alarm in bench.desk.standing() if alarm.active}
    assert active == {("north", HIGH.value), ("south", HIGH.value), ("", "source-lost")}


def test_own_alarms_and_announcements(bench: Bench) -> None:
    """The installation's own alarms are raised and cleared once, and what is announced twice is told once."""
    assert len(bench.desk.report("source-lost", True, "gone", subject="cellar")) == 1
    assert bench.desk.report("source-lost", True, "gone", subject="cellar") == ()
    assert len(bench.desk.report("source-lost", False, "back", subject="cellar")) == 1
    assert len(bench.desk.announce("daily", "All is well.", time_s=T0)) == 1
    bench.restart()
    assert bench.desk.announce("daily", "All is well.", time_s=T0) == ()


def test_text_that_databases_refuse_is_cleaned(bench: Bench) -> None:
    """NUL and lone surrogates, as a garbled payload may bring, stop no alarm."""
    events = bench.desk.take([finding(text="bad \x00 byte \udc80 " + "x" * 5000)])
    assert len(events) == 1
    assert "bad  byte ?" in bench.desk.history()[0].text


def test_one_batch_is_one_transaction(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Thirty findings commit once, and findings that change nothing not at all."""
    begun: list[int] = []
    transaction = bench.store.transaction

    def counted() -> AbstractContextManager[sa.Connection]:
        begun.append(1)
        return transaction()

    monkeypatch.setattr(bench.store, "transaction", counted)
    batch = [finding(vessel=f"v{number}") for number in range(30)]
    bench.desk.take(batch)
    assert len(begun) == 1
    bench.desk.take([finding(vessel="v7", time_s=T0 + 1), finding(state=State.CLEARED, vessel="other")])
    bench.desk.tick()
    bench.desk.remind()
    assert len(begun) == 2  # the reminder round writes the newer number


def test_old_events_are_deleted_but_none_that_waits(bench: Bench) -> None:
    """Retention takes what is old and told; a message that nobody has taken yet stays, as do standing alarms."""
    bench.desk.take([finding(), finding(Condition.LEAK)])
    leak = next(m for m in bench.routes.messages if m.event.alarm.condition == Condition.LEAK.value)
    with bench.store.transaction() as connection:
        assert leak.row is not None
        outbox.mark_sent(connection, [leak.row], T0)
    bench.clock.advance(86_400 * 30)
    assert bench.desk.prune(20) == 1
    assert [event.alarm.condition for event in bench.desk.history()] == [HIGH.value]
    assert len(bench.desk.standing()) == 2
    assert bench.desk.transitions() == ()


def test_settings_can_be_quieter_but_not_for_over_pressure() -> None:
    """Pauses named by the user stand beside the defaults; over-pressure repeats at least once an hour."""
    settings = AlarmSettings.model_validate({"remind_after_min": {"high": 600}})
    assert settings.remind_after_min[Priority.HIGH] == 600
    assert settings.remind_after_min[Priority.CRITICAL] == 10
    with pytest.raises(ValidationError, match="at most 60"):
        AlarmSettings.model_validate({"remind_after_min": {"critical": 61}})


def test_a_command_does_not_pretend(tmp_path: Path) -> None:
    """A process that ends soon says that the database refuses instead of keeping the acknowledgement in memory."""
    with open_store(tmp_path, busy_timeout_s=0.1) as store:
        desk = AlarmDesk(store, Nobody(), ManualClock(T0), from_memory=False)
        blocker = sqlite3.connect(tmp_path / "desk.db", isolation_level=None)
        blocker.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="locked"):
            desk.acknowledge("north", None, "Ada")
        blocker.close()
