"""Alarms and messages in their tables, on SQLite and on PostgreSQL alike."""

import threading
from itertools import pairwise

from tests.daemon.backlogs import read_backlogs
from tests.daemon.desk_kit import T0, Recorder, finding
from ullage.daemon import outbox
from ullage.daemon.alarm_states import AlarmState
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.clock import ManualClock
from ullage.daemon.routes import Nobody
from ullage.daemon.store.store import Store
from ullage.detectors.finding import Condition, State

HIGH = Condition.TEMPERATURE_HIGH


def test_a_life_is_stored_as_it_was(store: Store) -> None:
    """States, shelves, log, events and rows come back as they went in, whatever the text."""
    clock, routes = ManualClock(T0), Recorder(["phone", "mail"])
    desk = AlarmDesk(store, routes, clock)
    desk.take(
        [finding(text="bad \x00 \udc80 % ' \" ü"), finding(Condition.FINISHED), finding(Condition.LEAK)]
    )
    desk.acknowledge("north", HIGH, "Ada")
    desk.shelve("north", Condition.LEAK, 1.5, "Ada")
    desk.take([finding(state=State.CLEARED, time_s=T0 + 5.1234), finding(time_s=T0 + 6)])
    again = AlarmDesk(store, Recorder(), clock)
    assert again.standing() == desk.standing()
    assert again.shelved() == (("north", "leak", T0 + 5400),)
    assert {alarm.condition: alarm.state for alarm in again.standing()} == {
        HIGH: AlarmState.UNACKNOWLEDGED,
        Condition.LEAK: AlarmState.UNACKNOWLEDGED,
    }
    events = again.history("north")
    assert [event.time_s for event in events[:2]] == [T0 + 6, T0 + 5.123]
    assert events[-1].text == "bad  ? % ' \" ü"
    with store.reading() as connection:
        waiting = outbox.read_waiting(connection, "mail")
    assert [message.event.key for message in waiting] == [
        message.event.key
        for message in sorted(routes.messages, key=lambda m: m.event.rank)
        if message.target == "mail"
    ]


def test_rows_go_from_state_to_state(store: Store) -> None:
    """Tried, sent, given up, handed over and counted."""
    clock, routes = ManualClock(T0), Recorder(["phone"])
    desk = AlarmDesk(store, routes, clock)
    desk.take([finding(vessel=f"v{n}") for n in range(3)])
    desk.take([finding(Condition.OVER_PRESSURE, time_s=T0 + 1)])
    first, second, third, urgent = (message.row or 0 for message in routes.messages)
    with store.transaction() as connection:
        outbox.mark_tried(connection, [second], 3, "refused", T0 + 60)
        outbox.mark_sent(connection, [first], T0 + 1)
        outbox.give_up(connection, [third], "too-old", T0 + 2)
        (backlog,) = read_backlogs(connection)
        assert (backlog.waiting, backlog.sent, backlog.given_up) == (2, 1, 1)
        assert (backlog.oldest_s, backlog.last_reason) == (T0, "refused")
        assert [m.row for m in outbox.read_waiting(connection, "phone")] == [urgent, second]
        assert outbox.reroute(connection, ["mail"], lambda _: ["mail"], T0 + 3) == 2
        assert outbox.reroute(connection, ["mail"], lambda _: ["mail"], T0 + 3) == 0
        assert outbox.read_waiting(connection, "phone") == ()
        moved = outbox.read_waiting(connection, "mail")
        assert [m.event.alarm.condition for m in moved] == ["over-pressure", "temperature-high"]
        assert outbox.prune(connection, T0 + 10) == 2


def test_two_desks_at_once_agree(store: Store, url: str) -> None:
    """One desk takes findings while another acknowledges; every change is in the log once, and nothing is lost."""
    taking = AlarmDesk(store, Nobody(), ManualClock(T0))
    done = threading.Event()

    def answer() -> None:
        with Store.open(url) as other:
            answering = AlarmDesk(other, Nobody(), ManualClock(T0), from_memory=False)
            while not done.wait(0.002):
                answering.acknowledge("north", None, "Ada")
            answering.acknowledge("north", None, "Ada")

    thread = threading.Thread(target=answer)
    thread.start()
    for number in range(40):
        taking.take([finding(time_s=T0 + 2 * number)])
        taking.take([finding(state=State.CLEARED, time_s=T0 + 2 * number + 1)])
    done.set()
    thread.join()
    taking.refresh()
    assert taking.standing() == ()
    steps = [(t.before, t.after) for t in reversed(taking.transitions(limit=1000))]
    assert all(left[1] is right[0] for left, right in pairwise(steps))
    causes = [t.cause.value for t in taking.transitions(limit=1000)]
    assert causes.count("raised") == causes.count("cleared") == 40
    assert taking.health().storing
