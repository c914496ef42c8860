"""The alarm desk while the database refuses: alarms go on from memory, and everything is written in the end.

The database is made to refuse for real: another connection holds its write lock, or it may grow no further
(SQLITE_FULL, by `PRAGMA max_page_count`).
"""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import sqlalchemy as sa

from tests.daemon.desk_kit import T0, Recorder, finding, open_store
from ullage.daemon import outbox
from ullage.daemon.alarm_states import AlarmState
from ullage.daemon.alarms import STORAGE, AlarmDesk
from ullage.daemon.clock import ManualClock
from ullage.daemon.events import EventKind
from ullage.daemon.store.store import Store
from ullage.detectors.finding import Condition, State

OVER = Condition.OVER_PRESSURE


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    blocker = sqlite3.connect(folder / "desk.db", isolation_level=None)
    blocker.execute("BEGIN IMMEDIATE")
    try:
        yield
    finally:
        blocker.close()


@pytest.fixture(name="store")
def _store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path, busy_timeout_s=0.05) as store:
        yield store


def _rows(store: Store, target: str = "phone") -> list[tuple[str, str]]:
    with store.reading() as connection:
        waiting = outbox.read_waiting(connection, target)
    return [(message.event.alarm.condition, message.event.kind.value) for message in waiting]


def test_alarms_go_on_while_the_database_is_locked(store: Store, tmp_path: Path) -> None:
    """What happens meanwhile is told without rows, remembered, and written in order once the lock is gone."""
    clock, routes = ManualClock(T0), Recorder()
    desk = AlarmDesk(store, routes, clock)
    with _locked(tmp_path):
        assert len(desk.take([finding(OVER)])) == 1
        assert desk.take([finding(OVER, time_s=T0 + 1)]) == ()
        assert len(desk.take([finding(OVER, State.CLEARED, time_s=T0 + 2), finding(time_s=T0 + 2)])) == 2
        desk.acknowledge("north", OVER, "Ada")
        assert [(a.condition, a.state) for a in desk.standing()] == [
            ("temperature-high", AlarmState.UNACKNOWLEDGED)
        ]
        told = [(event.alarm.condition, event.kind.value) for event, delay_s in routes.direct if delay_s == 0]
        assert told == [
            ("over-pressure", "raised"),
            ("over-pressure", "cleared"),
            ("temperature-high", "raised"),
        ]
        clock.advance(2)
        desk.tick()
        assert not desk.health().storing
        assert desk.health().unsaved == 3
        assert _rows(store) == []
    clock.advance(5)
    desk.tick()
    assert desk.health().storing
    assert sorted(_rows(store)) == sorted(told)
    direct = {event.key for event, _ in routes.direct}
    assert {message.event.key for message in routes.messages} == direct
    restarted = AlarmDesk(store, Recorder(), clock)
    assert [(a.condition, a.state) for a in restarted.standing()] == [
        ("temperature-high", AlarmState.UNACKNOWLEDGED)
    ]
    assert [t.actor for t in reversed(restarted.transitions())] == ["detector"] * 3 + ["Ada"]


def test_a_database_that_keeps_refusing_is_itself_an_alarm(store: Store, tmp_path: Path) -> None:
    """After a minute somebody is told, once; when it works again that is told as well."""
    clock, routes = ManualClock(T0), Recorder()
    desk = AlarmDesk(store, routes, clock)
    with _locked(tmp_path):
        desk.take([finding()])
        for _ in range(10):
            clock.advance(15)
            desk.tick()
        said = [event for event, _ in routes.direct if event.alarm == STORAGE]
        assert [event.kind for event in said] == [EventKind.RAISED]
        assert "locked" in said[0].text
    clock.advance(61)
    desk.tick()
    kinds = [m.event.kind for m in routes.messages if m.event.alarm == STORAGE]
    assert kinds == [EventKind.RAISED, EventKind.CLEARED]


def test_a_short_refusal_is_no_alarm(store: Store, tmp_path: Path) -> None:
    """A lock that is gone within the minute bothers nobody."""
    clock, routes = ManualClock(T0), Recorder()
    desk = AlarmDesk(store, routes, clock)
    with _locked(tmp_path):
        desk.take([finding()])
    for _ in range(10):
        clock.advance(15)
        desk.tick()
    assert all(message.event.alarm != STORAGE for message in routes.messages)
    assert _rows(store) == [("temperature-high", "raised")]


def test_a_full_disk_stops_no_alarm(store: Store) -> None:
    """SQLITE_FULL: told from memory; when there is room again everything is written."""
    clock, routes = ManualClock(T0), Recorder()
    desk = AlarmDesk(store, routes, clock)
    with store.transaction() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
        connection.exec_driver_sql(f"PRAGMA max_page_count={pages}")
    words = "over the limit " * 100
    for number in range(40):
        clock.advance(1)
        desk.take([finding(OVER, vessel=f"v{number}", text=words, time_s=clock.wall_s())])
    assert not desk.health().storing
    assert "full" in desk.health().detail
    assert len(desk.standing()) == 40
    with store.transaction() as connection:
        connection.exec_driver_sql("PRAGMA max_page_count=1000000")
    clock.advance(120)
    desk.tick()
    assert desk.health().storing
    assert len({event.key for event in desk.history() if event.alarm.condition == OVER.value}) == 40


def test_a_critical_message_is_promised_before_the_database_is_asked(store: Store) -> None:
    """It goes by itself after the patience given, unless its row comes first; what proves old news is withdrawn."""
    clock, routes = ManualClock(T0), Recorder()
    desk = AlarmDesk(store, routes, clock)
    desk.take([finding(OVER)])
    assert [(event.alarm.condition, delay_s) for event, delay_s in routes.direct] == [("over-pressure", 2.0)]
    assert routes.withdrawn == []
    desk.take([finding(OVER, State.CLEARED, time_s=T0 + 1)])
    desk.acknowledge("north", OVER, "Ada")
    fresh = AlarmDesk(store, routes, clock)
    assert fresh.take([finding(OVER)]) == ()  # the very same event: the database knows it
    assert [event.time_s for event in routes.withdrawn] == [T0]


def test_memory_is_bounded_and_loss_is_counted(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When too much waits to be written the oldest goes, and is counted; what stands stays known."""
    monkeypatch.setattr("ullage.daemon.alarm_ledger._UNSAVED", 3)
    clock = ManualClock(T0)
    desk = AlarmDesk(store, Recorder(), clock)
    with _locked(tmp_path):
        for number in range(5):
            desk.take([finding(vessel=f"v{number}")])
    assert (desk.health().unsaved, desk.health().lost) == (3, 2)
    assert len(desk.standing()) == 5


def test_reading_can_fail_too(store: Store) -> None:
    """A database that can't even be read leaves the desk with what it remembers."""
    clock = ManualClock(T0)
    desk = AlarmDesk(store, Recorder(), clock)
    desk.take([finding()])
    with store.transaction() as connection:
        connection.execute(sa.text("ALTER TABLE alarm RENAME TO elsewhere"))
    desk.tick()
    assert [alarm.condition for alarm in desk.standing()] == ["temperature-high"]
    assert not desk.health().storing
    with store.transaction() as connection:
        connection.execute(sa.text("ALTER TABLE elsewhere RENAME TO alarm"))
    clock.advance(10)
    desk.tick()
    desk.tick()
    assert desk.health().storing
