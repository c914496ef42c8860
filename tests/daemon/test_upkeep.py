"""What comes round by itself, composed around a real desk."""

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from tests.daemon.desk_kit import T0, Recorder, finding, open_store
from tests.servers.http_receiver import HttpReceiver, Mode
from ullage.daemon.alarm_states import AlarmState
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.clock import ManualClock
from ullage.daemon.local_time import LocalTime
from ullage.daemon.notifier import Notifier
from ullage.daemon.notify_settings import NotifySettings
from ullage.daemon.routes import Nobody
from ullage.daemon.schedule_settings import ScheduleSettings
from ullage.daemon.store.store import Store
from ullage.daemon.upkeep import Upkeep


@pytest.fixture(name="store")
def _store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path) as store:
        yield store


def _upkeep(desk: AlarmDesk, clock: ManualClock, settings: dict[str, Any], **given: Any) -> Upkeep:
    return Upkeep(
        ScheduleSettings.model_validate(settings),
        desk=desk,
        notifier=given.get("notifier"),
        clock=clock,
        local=LocalTime.named("Europe/Berlin"),
        check_silence=given.get("check_silence"),
        retain=given.get("retain", lambda: None),
        check_database=given.get("check_database", lambda: None),
        daily_line=given.get("daily_line", lambda: "Two vessels, all well."),
        healthy=given.get("healthy", lambda: True),
        keep_days=400,
    )


def test_the_daily_line_comes_once_a_day(store: Store) -> None:
    """Asked for twice on one day, also after a restart, it is told once; the next day again."""
    clock, routes = ManualClock(T0), Recorder()
    for _ in range(2):
        upkeep = _upkeep(AlarmDesk(store, routes, clock), clock, {})
        upkeep.digest()
        upkeep.digest()
        clock.advance(60)
    assert [message.event.text for message in routes.messages] == ["Two vessels, all well."]
    clock.advance(86_400)
    upkeep.digest()
    assert len(routes.messages) == 2


def test_damage_to_the_database_is_an_alarm(store: Store) -> None:
    """What the weekly look finds is raised once, and cleared when the next look finds nothing."""
    clock, routes, found = ManualClock(T0), Recorder(), ["page 7"]

    def look() -> str | None:
        return found[0] if found else None

    upkeep = _upkeep(AlarmDesk(store, routes, clock), clock, {}, check_database=look)
    upkeep.scheduler._records["integrity"].run()
    upkeep.scheduler._records["integrity"].run()
    found.clear()
    clock.advance(1)
    upkeep.scheduler._records["integrity"].run()
    assert [(m.event.kind.value, m.event.alarm.condition) for m in routes.messages] == [
        ("raised", "database-damaged"),
        ("cleared", "database-damaged"),
    ]
    assert "page 7" in routes.messages[0].event.text


def test_jobs_are_those_that_are_wanted(store: Store) -> None:
    """Digest and heartbeat are there if configured; the rest always is."""
    clock = ManualClock(T0)
    desk = AlarmDesk(store, Nobody(), clock)
    bare = _upkeep(desk, clock, {"daily_digest": ""})
    full = _upkeep(desk, clock, {"heartbeat": {"url": "http://127.0.0.1:9/beat"}})
    assert {job.name for job in bare.health()} == {"reminders", "retention", "integrity"}
    assert {job.name for job in full.health()} - {job.name for job in bare.health()} == {
        "digest",
        "heartbeat",
    }


def test_it_runs_and_notices_what_others_acknowledge(store: Store) -> None:
    """While it runs, an acknowledgement given through the database is known here soon; it stops cleanly."""
    clock = ManualClock(T0)
    desk = AlarmDesk(store, Nobody(), clock)
    desk.take([finding()])
    upkeep = _upkeep(desk, clock, {"tick_s": 0.02})
    upkeep.start()
    assert all(loop().healthy for loop in upkeep.loops())
    AlarmDesk(store, Nobody(), clock).acknowledge("north", None, "Ada")
    deadline_s = time.monotonic() + 10
    while desk.standing()[0].state is not AlarmState.ACKNOWLEDGED and time.monotonic() < deadline_s:
        time.sleep(0.005)
    assert desk.standing()[0].state is AlarmState.ACKNOWLEDGED
    upkeep.stop()
    assert not any(loop().healthy for loop in upkeep.loops())


def test_the_chain_works_only_as_a_whole(store: Store) -> None:
    """A stuck loop, a database that refuses, targets of which none works: each keeps the outside watcher unbeaten."""
    clock = ManualClock(T0)
    desk = AlarmDesk(store, Nobody(), clock)
    assert _upkeep(desk, clock, {}).chain_works()
    assert not _upkeep(desk, clock, {}, healthy=lambda: False).chain_works()
    with HttpReceiver(Mode.REFUSE) as phone:
        settings = NotifySettings.model_validate({"targets": [{"url": phone.notify_url}]})
        notifier = Notifier(settings, store, clock)
        upkeep = _upkeep(desk, clock, {}, notifier=notifier)
        assert upkeep.chain_works()
        notifier.start()
        AlarmDesk(store, notifier, clock).take([finding()])
        phone.wait_for(1)
        assert notifier.settle()
        assert not upkeep.chain_works()
        notifier.stop()
    with store.transaction() as connection:
        connection.exec_driver_sql("ALTER TABLE alarm RENAME TO elsewhere")
    desk.tick()
    assert not _upkeep(desk, clock, {}).chain_works()


@pytest.mark.parametrize("settings", [{"daily_digest": "8 o'clock"}, {"retention_at": ""}, {"tick_s": 0}])
def test_times_that_are_none_are_refused(settings: dict[str, Any]) -> None:
    """A time of day is HH:MM."""
    with pytest.raises(ValidationError):
        ScheduleSettings.model_validate(settings)
