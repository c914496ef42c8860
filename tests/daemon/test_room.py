"""The floor under the free space of the database's disk, measured on the disk that the tests run on."""

import math
import shutil
from pathlib import Path

from tests.daemon.desk_kit import T0, Recorder, open_store
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.clock import ManualClock
from ullage.daemon.room import Room


def _free_mb(folder: Path) -> float:
    return shutil.disk_usage(folder).free / 1e6


def test_readings_are_written_again_only_with_a_tenth_more_than_the_floor(tmp_path: Path) -> None:
    """Else what a commit takes would end what it began."""
    free_mb = _free_mb(tmp_path)
    room = Room(tmp_path / "ullage.db", 0.95 * free_mb)
    assert room.enough()
    room.floor_mb = 1.5 * free_mb
    assert not room.enough()
    room.floor_mb = 0.95 * free_mb
    assert not room.enough()
    room.floor_mb = 0.5 * free_mb
    assert room.enough()
    room.floor_mb = 0.95 * free_mb
    assert room.enough()


def test_where_free_space_can_t_be_known_nothing_waits_for_it(tmp_path: Path) -> None:
    """On a server, in memory, or where the disk has gone: what is wrong there writing itself will say."""
    for file in (None, tmp_path / "gone" / "ullage.db"):
        room = Room(file, 1e8)
        assert math.isinf(room.free_mb())
        assert room.enough()


def test_the_alarm_says_what_is_free_what_is_asked_for_and_what_to_do(tmp_path: Path) -> None:
    """Raised once, and ended by the first look that finds room."""
    routes, free_mb = Recorder(), _free_mb(tmp_path)
    room = Room(tmp_path / "ullage.db", round(free_mb + 10_000))
    with open_store(tmp_path) as store:
        desk = AlarmDesk(store, routes, ManualClock(T0))
        assert not room.look(desk)
        assert not room.look(desk)
        room.floor_mb = 0
        assert room.look(desk)
    raised, cleared = (message.event for message in routes.messages)
    assert (raised.kind.value, cleared.kind.value) == ("raised", "cleared")
    assert raised.alarm.condition == "disk-nearly-full"
    for words in (str(tmp_path), f"less than the {round(free_mb + 10_000)} MB", "Make room"):
        assert words in raised.text
