"""A program that dies again and again is heard of."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.daemon.desk_kit import T0, open_store
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.clock import ManualClock
from ullage.daemon.restarts import TOO_MANY, WITHIN_S, Restarts
from ullage.daemon.routes import Nobody
from ullage.daemon.store.store import Store


@pytest.fixture(name="store")
def _store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path) as store:
        yield store


def start(store: Store, clock: ManualClock) -> tuple[Restarts, AlarmDesk]:
    desk = AlarmDesk(store, Nobody(lambda _: ()), clock)
    restarts = Restarts(store, desk, clock)
    restarts.started()
    return restarts, desk


def test_too_many_starts_are_an_alarm_until_it_has_lived(store: Store) -> None:
    """The fourth within ten minutes; over when one has lasted for ten."""
    clock = ManualClock(T0)
    for _ in range(TOO_MANY - 1):
        restarts, desk = start(store, clock)
        assert desk.standing() == ()
        clock.advance(60)
    restarts, desk = start(store, clock)
    assert [alarm.condition for alarm in desk.standing()] == ["restarting"]
    assert f"{TOO_MANY} times" in desk.standing()[0].text
    clock.advance(WITHIN_S - 1)
    restarts.look()
    assert desk.standing()[0].active
    clock.advance(2)
    restarts.look()
    assert not any(alarm.active for alarm in desk.standing())


def test_a_start_now_and_then_is_none(store: Store) -> None:
    """Nor is one when the database can't note it."""
    clock = ManualClock(T0)
    for _ in range(10):
        _, desk = start(store, clock)
        clock.advance(WITHIN_S / 2)
        assert desk.standing() == ()
    with store.transaction() as connection:
        connection.exec_driver_sql("DROP TABLE alarm_transition")
    assert Restarts(store, desk, clock).started() == 1
