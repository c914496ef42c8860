"""The picture that goes with the end of fermentation, to real receivers: one that likes it, and some that don't."""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.daemon.backlogs import read_backlogs
from tests.daemon.desk_kit import T0, finding, open_store
from tests.servers.http_receiver import HttpReceiver, Mode
from ullage.daemon.alarms import AlarmDesk
from ullage.daemon.attaching import Attaching, Draw
from ullage.daemon.clock import ManualClock, SystemClock
from ullage.daemon.events import Event
from ullage.daemon.notifier import Notifier
from ullage.daemon.notify_settings import NotifySettings
from ullage.daemon.store.store import Store
from ullage.detectors.finding import Condition

PNG = b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 100
SWIFT = {"first_s": 0.01, "longest_s": 0.05, "longest_critical_s": 0.05}


def ready_made(_event: Event, _left_s: float) -> bytes:
    """Draw at once."""
    return PNG


@pytest.fixture(name="store")
def _store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path) as store:
        yield store


@pytest.fixture(name="phone")
def _phone() -> Iterator[HttpReceiver]:
    with HttpReceiver() as receiver:
        yield receiver


@contextmanager
def running(
    store: Store, draw: Draw, *targets: dict[str, Any], longest_s: float = 10.0, **keys: Any
) -> Iterator[Notifier]:
    """Run a notifier on the machine's clock."""
    settings = NotifySettings.model_validate({"targets": targets, "back_off": SWIFT, **keys})
    notifier = Notifier(settings, store, SystemClock(), attaching=Attaching(draw, longest_s))
    notifier.start()
    try:
        notifier.settle(30.0)
        yield notifier
    finally:
        notifier.stop()


def told(store: Store, notifier: Notifier, *conditions: Condition, vessel: str = "north") -> None:
    """Have the desk tell of something."""
    clock = SystemClock()
    desk = AlarmDesk(store, notifier, clock)
    desk.take([finding(each, time_s=clock.wall_s(), vessel=vessel) for each in conditions])


def eventually(holds: Callable[[], bool], timeout_s: float = 30.0) -> None:
    """Wait until something comes about."""
    deadline_s = time.monotonic() + timeout_s
    while not holds():
        assert time.monotonic() < deadline_s, "it did not come about in time"
        time.sleep(0.005)


def sent(store: Store, target: str) -> tuple[int, int]:
    """Return how many messages a target has, and how many wait for it."""
    with store.reading() as connection:
        (found,) = [one for one in read_backlogs(connection) if one.target == target]
    return found.sent, found.waiting


def to(receiver: HttpReceiver, name: str = "phone", **keys: Any) -> dict[str, Any]:
    """Return a target that takes pictures, encoded in JSON."""
    return {"name": name, "url": receiver.notify_url, **keys}


def test_the_picture_arrives_with_the_end(store: Store, phone: HttpReceiver) -> None:
    """The message of the end carries the very picture that was drawn; one of anything else carries none."""
    with running(store, ready_made, to(phone)) as notifier:
        told(store, notifier, Condition.FINISHED)
        (request,) = phone.wait_for(1)
        told(store, notifier, Condition.LEAK)
        phone.wait_for(2)
        eventually(lambda: sent(store, "phone") == (2, 0))
    assert request.title == "● Medium priority: north"
    assert request.pictures == (("north-finished.png", PNG),)
    assert phone.requests[1].pictures == ()


def test_a_form_gets_it_as_a_file(store: Store, phone: HttpReceiver) -> None:
    """A target that uploads files as a form does (RFC 7578) finds it whole."""
    target = {"name": "form", "url": f"form://127.0.0.1:{phone.port}/inbox"}
    with running(store, ready_made, target) as notifier:
        told(store, notifier, Condition.FINISHED)
        (request,) = phone.wait_for(1)
    body = request.body.encode(errors="surrogateescape")
    assert b'filename="north-finished.png"' in body
    assert PNG in body


def test_text_alone_where_no_picture_is_taken(store: Store, phone: HttpReceiver) -> None:
    """A service without attachments gets its message as ever, and so does one whose owner wants none: nothing is drawn."""
    asked: list[Event] = []

    def draw(event: Event, _left_s: float) -> bytes:
        asked.append(event)
        return PNG

    plain = {"name": "plain", "url": f"gotify://127.0.0.1:{phone.port}/secret"}
    with running(store, draw, plain, to(phone, pictures=False)) as notifier:
        told(store, notifier, Condition.FINISHED)
        phone.wait_for(2)
        eventually(lambda: (sent(store, "plain"), sent(store, "phone")) == ((1, 0), (1, 0)))
    assert all("finished" in request.message for request in phone.requests)
    assert all(request.pictures == () for request in phone.requests)
    assert asked == []


def test_both_kinds_of_target_at_once(store: Store, phone: HttpReceiver) -> None:
    """Of two that take it each gets it, drawn once."""
    asked: list[Event] = []

    def draw(event: Event, _left_s: float) -> bytes:
        asked.append(event)
        return PNG

    with HttpReceiver() as mail, running(store, draw, to(phone), to(mail, "mail")) as notifier:
        told(store, notifier, Condition.FINISHED)
        assert phone.wait_for(1)[0].pictures == mail.wait_for(1)[0].pictures == (("north-finished.png", PNG),)
    assert len(asked) == 1


def test_a_failure_to_draw_loses_nothing(store: Store, phone: HttpReceiver) -> None:
    """The message goes without its picture when drawing fails, and when it takes too long."""
    leave = threading.Event()

    def fail(event: Event, _left_s: float) -> bytes:
        if event.alarm.vessel == "north":
            raise RuntimeError("no ink")
        leave.wait(30)
        return PNG

    with running(store, fail, to(phone), longest_s=0.3) as notifier:
        told(store, notifier, Condition.FINISHED)
        phone.wait_for(1)
        told(store, notifier, Condition.FINISHED, vessel="south")
        phone.wait_for(2)
        eventually(lambda: sent(store, "phone") == (2, 0))
    leave.set()
    assert [request.pictures for request in phone.requests] == [(), ()]


def test_over_pressure_does_not_wait_for_a_picture(store: Store, phone: HttpReceiver) -> None:
    """While a picture is being drawn, what is critical goes at once, and so does what has none; then the end follows."""
    drawing, leave = threading.Event(), threading.Event()

    def slow(_event: Event, _left_s: float) -> bytes:
        drawing.set()
        leave.wait(30)
        return PNG

    with running(store, slow, to(phone)) as notifier:
        told(store, notifier, Condition.FINISHED)
        assert drawing.wait(10)
        told(store, notifier, Condition.OVER_PRESSURE, Condition.LEAK)
        first, second = phone.wait_for(2)[:2]
        assert first.title == "‼ Critical: north"
        assert "leak" in second.message
        leave.set()
        last = phone.wait_for(3)[2]
        eventually(lambda: sent(store, "phone") == (3, 0))
    assert last.pictures == (("north-finished.png", PNG),)


def test_a_picture_that_is_refused_does_not_keep_the_message_back(store: Store, phone: HttpReceiver) -> None:
    """Where the service answers no to something so large, the text follows at once, and counts as sent."""
    phone.large = Mode.REFUSE
    with running(store, ready_made, to(phone)) as notifier:
        told(store, notifier, Condition.FINISHED)
        phone.wait_for(2)
        eventually(lambda: sent(store, "phone") == (1, 0))
        assert notifier.health().targets[0].working
    assert [bool(request.pictures) for request in phone.requests] == [True, False]
    assert [request.message for request in phone.accepted] == [phone.requests[0].message]


def test_a_picture_that_takes_too_long_is_left_out(store: Store, phone: HttpReceiver) -> None:
    """A service that says nothing to something so large gets the text with the next try."""
    phone.large = Mode.HANG
    with running(store, ready_made, to(phone, timeout_s=0.5)) as notifier:
        told(store, notifier, Condition.FINISHED)
        eventually(lambda: sent(store, "phone") == (1, 0))
    assert [bool(request.pictures) for request in phone.accepted] == [False]


def test_after_an_outage_the_picture_still_comes(store: Store, phone: HttpReceiver) -> None:
    """A service that refuses everything for a while gets message and picture when it is well again."""
    phone.mode = Mode.REFUSE
    with running(store, ready_made, to(phone)) as notifier:
        told(store, notifier, Condition.FINISHED)
        phone.wait_for(4)
        phone.mode = Mode.OK
        phone.wait_until(lambda requests: requests[-1].accepted)
        eventually(lambda: sent(store, "phone") == (1, 0))
    assert len(phone.accepted) == 1
    assert len({request.message for request in phone.requests}) == 1


def test_what_an_earlier_run_left_gets_its_picture(store: Store, phone: HttpReceiver) -> None:
    """A message that a restart found in the outbox is drawn for anew."""
    phone.mode = Mode.REFUSE
    with running(store, ready_made, to(phone), back_off={"first_s": 600, "longest_s": 600}) as notifier:
        told(store, notifier, Condition.FINISHED)
        phone.wait_for(2)
    phone.mode = Mode.OK
    with running(store, ready_made, to(phone)):
        phone.wait_until(lambda requests: requests[-1].accepted)
        eventually(lambda: sent(store, "phone") == (1, 0))
    (request,) = phone.accepted
    assert request.pictures == (("north-finished.png", PNG),)


def test_drawn_only_when_it_goes(store: Store, phone: HttpReceiver) -> None:
    """What is held back for the night is drawn in the morning, with what is known then."""
    asked: list[Event] = []

    def draw(event: Event, _left_s: float) -> bytes:
        asked.append(event)
        return PNG

    clock = ManualClock(T0)  # 20:26 UTC
    settings = NotifySettings.model_validate(
        {"targets": [to(phone)], "quiet_hours": "20:00-07:00", "timezone": "UTC"}
    )
    notifier = Notifier(settings, store, clock, attaching=Attaching(draw))
    notifier.start()
    try:
        notifier.settle(30.0)
        AlarmDesk(store, notifier, clock).take([finding(Condition.FINISHED)])
        assert notifier.settle()
        assert (phone.requests, asked) == ((), [])
        clock.advance(11 * 3600)
        notifier.wake()
        assert phone.wait_for(1)[0].pictures
    finally:
        notifier.stop()


def test_the_ends_of_several_vessels(store: Store, phone: HttpReceiver) -> None:
    """Told in one message or in two, each comes with its own picture."""

    def draw(event: Event, _left_s: float) -> bytes:
        return PNG + event.alarm.vessel.encode()

    with running(store, draw, to(phone)) as notifier:
        clock = SystemClock()
        ends = [
            finding(Condition.FINISHED, time_s=clock.wall_s(), vessel=name) for name in ("north", "south")
        ]
        AlarmDesk(store, notifier, clock).take(ends)
        eventually(lambda: sent(store, "phone") == (2, 0))
    pictures = [picture for request in phone.requests for picture in request.pictures]
    assert sorted(pictures) == [(f"{name}-finished.png", PNG + name.encode()) for name in ("north", "south")]
