"""Reminders of what a batch waits for: once a day, a few times, and none twice."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.daemon.desk_kit import Recorder, finding, open_store
from ullage.adapters.timestamps import parse_rfc3339
from ullage.daemon.alarm_states import AlarmKey
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.batch_reminders import DAY_S, MOST, due_reminder_s, remind
from ullage.daemon.clock import ManualClock
from ullage.daemon.events import TO_DO, EventKind, own_event
from ullage.daemon.local_time import LocalTime
from ullage.daemon.notify_settings import NotifySettings
from ullage.daemon.outbox import Message
from ullage.daemon.sending_rules import Rules
from ullage.daemon.store import batches
from ullage.detectors.finding import Condition, Priority
from ullage.detectors.stage import NextStep

T0 = 1_780_000_000.0
HOUR = 3600.0


@pytest.mark.parametrize(
    ("after_h", "expected_h"),
    [(-0.1, None), (0, 0), (23.9, 0), (24, 24), (95, 72), (96, None), (1000, None)],
)
def test_one_for_each_day_that_it_waits(after_h: float, expected_h: float | None) -> None:
    """Four days long; who has not reacted by then does not want to know."""
    found = due_reminder_s(NextStep("x", T0, T0), T0 + after_h * HOUR)
    assert found == (None if expected_h is None else T0 + expected_h * HOUR)


def test_a_snooze_moves_all_of_them() -> None:
    """Counted from its end."""
    step = NextStep("x", T0, T0, T0 + 30 * HOUR)
    assert due_reminder_s(step, T0 + 29 * HOUR) is None
    assert due_reminder_s(step, T0 + 30 * HOUR) == T0 + 30 * HOUR
    assert due_reminder_s(NextStep("x", T0, None, None), T0 + 30 * HOUR) is None
    assert due_reminder_s(NextStep("x", T0, T0, T0 - HOUR), T0 + HOUR) == T0


@given(hours=st.lists(st.floats(0, 200), min_size=1, max_size=50))
def test_looking_often_tells_no_more(hours: list[float]) -> None:
    """However often the job looks, and whichever way the clock is set, there are at most four different reminders."""
    step = NextStep("x", T0, T0)
    told = {due_reminder_s(step, T0 + h * HOUR) for h in hours} - {None}
    assert len(told) <= MOST
    assert all((at - T0) % DAY_S == 0 for at in told if at is not None)


def test_told_once_through_restarts_and_a_clock_that_is_set(tmp_path: Path) -> None:
    """The event's own time makes it the same one, whoever looks again; not critical, so that it waits for the morning."""
    told = Recorder()
    for wall_s in (T0 + 60, T0 + 120, T0 - 86_400, T0 + 3600, T0 + 90_000):
        with open_store(tmp_path) as store:
            if wall_s == T0 + 60:
                batches.keep_stages(store, "north", 0, (), NextStep("Set the temperature to 20 °C", T0, T0))
            clock = ManualClock(wall_s=wall_s)
            desk = AlarmDesk(store, told, clock)
            for _ in range(2):
                remind(store, desk, ["north", "south"], clock)
    assert [message.event.time_s for message in told.messages] == [T0, T0 + DAY_S]
    assert {message.event.priority for message in told.messages} == {Priority.MEDIUM}
    assert {message.event.alarm.vessel for message in told.messages} == {"north"}
    assert told.messages[0].event.text.startswith("Set the temperature to 20 °C.")
    assert "snooze" in told.messages[0].event.text


def test_two_vessels_are_told_apart(tmp_path: Path) -> None:
    """Though both wait since the same moment."""
    told = Recorder()
    with open_store(tmp_path) as store:
        for name in ("north", "south"):
            batches.keep_stages(store, name, 0, (), NextStep("Serve it", T0, T0))
        clock = ManualClock(wall_s=T0 + 60)
        remind(store, AlarmDesk(store, told, clock), ["north", "south"], clock)
    assert len(told.messages) == 2


@pytest.mark.parametrize(
    ("told_h", "expected_h"), [(None, [1.0, 25.0]), (0.0, [25.0]), (0.2, [25.0]), (-30.0, [1.0, 25.0])]
)
def test_what_a_notice_tells_at_the_end_of_a_snooze_is_told_once(
    tmp_path: Path, told_h: float | None, expected_h: list[float]
) -> None:
    """The reminder comes a day later; within the hour if no notice comes, as when the sensor is dead."""
    told = Recorder()
    end_s = T0 + 40 * HOUR
    with open_store(tmp_path) as store:
        step = NextStep("First dose of finings", T0, end_s + HOUR, end_s)
        batches.keep_stages(store, "north", 0, (), step)
        clock = ManualClock(wall_s=end_s)
        desk = AlarmDesk(store, told, clock)
        if told_h is not None:
            desk.take([finding(Condition.FINING_DUE, time_s=end_s + told_h * HOUR, subject="first dose")])
        for _ in range(30 * 4):
            remind(store, desk, ["north"], clock)
            clock.advance(900)
    events = [message.event for message in told.messages]
    reminders = [event for event in events if event.alarm.condition == TO_DO]
    assert [event.time_s for event in reminders] == [end_s + h * HOUR for h in expected_h]


def test_alarms_are_told_at_night() -> None:
    """Whatever their condition: somebody has to act."""
    now_s = parse_rfc3339("2026-06-01T23:00:00Z")
    event = own_event(AlarmKey("north", "leak"), EventKind.RAISED, Priority.LOW, "x", now_s)
    rules = Rules(NotifySettings(), LocalTime.named("UTC"))
    assert rules.choose([Message(row=1, event=event, target="phone")], 0.0, now_s).messages


@pytest.mark.parametrize(
    ("condition", "at", "until_h"),
    [
        ("fining-due", "2026-06-01T23:00:00Z", 8.0),
        ("ready", "2026-06-02T06:59:00Z", 1 / 60),
        ("reminder", "2026-06-02T03:00:00Z", 4.0),
        ("chilled", "2026-06-02T02:50:00Z", 25 / 6),
        ("finished", "2026-06-01T23:00:00Z", 8.0),
        ("finish-suspected", "2026-06-01T23:00:00Z", 8.0),
        ("activity", "2026-06-01T23:00:00Z", 8.0),
        ("still-fermenting", "2026-06-01T23:00:00Z", None),
        ("fining-due", "2026-06-01T12:00:00Z", None),
        ("storage", "2026-06-01T23:00:00Z", None),
    ],
)
def test_what_can_wait_waits_for_the_morning(condition: str, at: str, until_h: float | None) -> None:
    """No notice is told at night, even where nobody has set quiet hours, but the one that asks to open a shut valve."""
    rules = Rules(NotifySettings(), LocalTime.named("UTC"))
    now_s = parse_rfc3339(at)
    event = own_event(AlarmKey("north", condition), EventKind.NOTED, Priority.MEDIUM, "x", now_s)
    choice = rules.choose([Message(row=1, event=event, target="phone")], 0.0, now_s)
    if until_h is None:
        assert len(choice.messages) == 1
    else:
        assert not choice.messages
        assert choice.wait_s == pytest.approx(until_h * HOUR)


def test_how_a_test_goes_on_waits_for_the_morning() -> None:
    """Nothing is to be done about it: it is of low priority, where the word to open the valve is not."""
    now_s = parse_rfc3339("2026-06-01T23:00:00Z")
    event = own_event(AlarmKey("north", "still-fermenting"), EventKind.NOTED, Priority.LOW, "x", now_s)
    rules = Rules(NotifySettings(), LocalTime.named("UTC"))
    assert rules.choose([Message(row=1, event=event, target="phone")], 0.0, now_s).wait_s == pytest.approx(
        8 * HOUR
    )
