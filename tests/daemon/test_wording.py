"""How messages read on a phone, and on a console."""

import io
import sys
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.daemon.desk_kit import T0, finding
from ullage.daemon.alarm_states import Alarm, AlarmKey
from ullage.daemon.delivery import Outcome, open_target
from ullage.daemon.events import TO_DO, Event, EventKind, from_finding, make_token, own_event, reminder
from ullage.daemon.flood import Flood
from ullage.daemon.local_time import LocalTime
from ullage.daemon.notify_settings import TargetSettings
from ullage.daemon.outbox import Message
from ullage.daemon.target_console import ConsoleTarget
from ullage.daemon.wording import Letter, Wording
from ullage.detectors.finding import Condition, Priority, State

WORDING = Wording(LocalTime.named("Europe/Berlin"))
OVER = Condition.OVER_PRESSURE


def _letter(*events: Event, after_s: float = 0.0, limit: int = 1000) -> Letter:
    messages = [Message(row=None, event=event, target="phone") for event in events]
    return WORDING.letter(messages, T0 + after_s, limit)


def test_titles_say_how_urgent_and_where() -> None:
    """Symbol, priority and vessel; the end of an alarm has its own; the installation speaks under its own name."""
    over = from_finding(finding(OVER), T0)
    assert _letter(over).title == "‼ Critical: north"
    assert _letter(from_finding(finding(OVER, State.CLEARED), T0)).title == "✓ Over: north"
    assert _letter(from_finding(finding(Condition.FINISHED), T0)).title == "● Medium priority: north"
    own = replace(over, alarm=AlarmKey("", "storage"), priority=Priority.LOW)
    assert _letter(own).title == "○ Low priority: ullage"


@pytest.mark.parametrize(
    ("now", "words"),
    [
        ("2026-05-28T23:00+02:00", "22:26"),
        ("2026-05-29T07:00+02:00", "yesterday 22:26"),
        ("2026-05-30T07:00+02:00", "28 May 22:26"),
        ("2027-01-01T07:00+01:00", "28 May 2026 22:26"),
    ],
)
def test_moments_are_told_as_short_as_they_can_be(now: str, words: str) -> None:
    """Today's by the time alone, yesterday's as such, older ones by date, in local time."""
    assert datetime.fromtimestamp(T0, UTC).isoformat() == "2026-05-28T20:26:40+00:00"
    assert WORDING.when(T0, datetime.fromisoformat(now).timestamp()) == words


def test_only_what_is_late_says_when() -> None:
    """Within ten minutes nothing is said of time; afterwards when it happened and that it is told late."""
    event = from_finding(finding(text="Warm."), T0)
    assert _letter(event, after_s=599).body == f"Warm.\nid {event.token}"
    assert _letter(event, after_s=601).body == f"Warm.\nIt happened 22:26, told late.\nid {event.token}"


def test_reminders_say_that_nobody_has_answered() -> None:
    """The text of the alarm with a word before it, and the alarm's id with the count of tellings."""
    alarm = Alarm(key=AlarmKey("north", "over-pressure"), text="Too much.", token="ABCDEF", tellings=2)
    assert _letter(reminder(alarm, T0)).body == "Still not acknowledged: Too much.\nid ABCDEF-3"


def test_what_reminds_of_a_step_has_not_happened() -> None:
    """Under the vessel's name, and never late: the time in it only says which reminder it is."""
    todo = own_event(AlarmKey("north", TO_DO), EventKind.NOTED, Priority.MEDIUM, "Serve it.", T0)
    alone = _letter(todo, after_s=3600)
    assert alone.title == "● Medium priority: north"
    assert alone.body == f"Serve it.\nid {todo.token}"
    merged = _letter(from_finding(finding(), T0), todo, after_s=3600)
    assert f"● north: Serve it. [id {todo.token}]" in merged.body.splitlines()


def test_one_that_leaves_no_room_for_others_goes_as_one() -> None:
    """Not as one of several, and a flood's first digest counts it in words."""
    long, other = (from_finding(finding(text=text), T0) for text in ("x" * 500, "y" * 500))
    assert _letter(long, other, limit=600) == _letter(long, limit=600)
    messages = [Message(row=None, event=event, target="p", flood_first="leak") for event in (long, other)]
    assert ": 1 message, north" in WORDING.letter(messages, T0, 600).title


def test_a_finding_without_words_is_told_by_its_numbers() -> None:
    """Condition, value, limit and unit stand in for a missing text."""
    event = replace(from_finding(finding(value=24.6), T0), text="")
    assert _letter(event).body.startswith("temperature-high: 24.6 Cel, limit 24 Cel.\n")


@given(
    texts=st.lists(st.text(max_size=400), min_size=1, max_size=30),
    limit=st.integers(min_value=200, max_value=2000),
)
def test_bodies_keep_to_the_limit_and_nothing_is_left_out(texts: list[str], limit: int) -> None:
    """Whatever the texts, letters of at most the limit hold all events in order, each with its id."""
    events = [
        from_finding(finding(time_s=T0 + n, text=text or "x", vessel="v"), T0) for n, text in enumerate(texts)
    ]
    left, told = list(events), []
    while left:
        letter = _letter(*left, limit=limit)
        assert 1 <= letter.count <= len(left)
        assert len(letter.body) <= limit
        assert all(f"id {event.token}" in letter.body for event in left[: letter.count])
        told += left[: letter.count]
        left = left[letter.count :]
    assert told == events


def test_ids_depend_on_the_event_alone() -> None:
    """The same event has the same id in every process; another time, sensor, vessel or kind has another."""
    event = from_finding(finding(), T0)
    assert event.token == from_finding(finding(), T0 + 99).token
    others = [
        from_finding(finding(time_s=T0 + 0.001), T0),
        from_finding(finding(subject="pressure"), T0),
        from_finding(finding(vessel="south"), T0),
        from_finding(finding(state=State.CLEARED), T0),
    ]
    assert len({other.token for other in others} | {event.token}) == 5
    assert len(event.token) == 6
    many = {make_token(event.alarm, event.kind, T0 + n) for n in range(2000)}
    assert len(many) >= 1998  # 30 bits: 2,000 ids clash once in 500 runs of such a test


def test_a_flood_begins_above_ten_in_ten_minutes_and_ends_below_five() -> None:
    """The eleventh is held until the first digest; when few are left in the window the next is told at once."""
    flood = Flood()
    events = [from_finding(finding(time_s=T0 + n, vessel=f"v{n}"), T0) for n in range(40)]
    holds = [flood.mark(event, n * 1.0, T0 + n) for n, event in enumerate(events[:15])]
    assert [hold.until_s is None for hold in holds] == [True] * 10 + [False] * 5
    assert {hold.until_s for hold in holds[10:]} == {T0 + 10 + 60}
    assert flood.mark(events[12], 500.0, T0 + 500) == holds[12]
    assert flood.mark(events[20], 200.0, T0 + 200).until_s == T0 + 200 + 600
    assert flood.active
    assert flood.hold(700.0, T0 + 700).until_s is None
    assert not flood.active


def test_eleven_in_more_than_ten_minutes_are_no_flood() -> None:
    """One a minute goes on for ever without a digest."""
    flood = Flood()
    for n in range(30):
        event = from_finding(finding(time_s=T0 + n, vessel=f"v{n}"), T0)
        assert flood.mark(event, n * 61.0, T0).until_s is None


def test_the_console_prints_what_a_phone_would_show(capsys: pytest.CaptureFixture[str]) -> None:
    """Title, then the text set in."""
    target = open_target("console", TargetSettings(kind="console"))
    assert target.send(Letter("‼ Critical: north", "Too much.\nid ABCDEF", 1, Priority.CRITICAL))
    assert capsys.readouterr().out == "‼ Critical: north\n  Too much.\n  id ABCDEF\n"


def test_a_console_that_knows_few_signs_still_prints() -> None:
    """On an ASCII terminal signs are replaced; a closed one is a failure to try again, not a crash."""
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="ascii")
    target = ConsoleTarget(1000, stream)
    assert target.send(Letter("‼ Critical: north", "1 °C", 1, Priority.CRITICAL)).outcome is Outcome.SENT
    assert raw.getvalue() == b"? Critical: north\n  1 ?C\n"
    stream.close()
    assert target.send(Letter("t", "b", 1, Priority.LOW)).outcome is Outcome.TRY_AGAIN
    assert ConsoleTarget(1000, sys.stderr).place == "console"
