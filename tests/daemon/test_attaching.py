"""Pictures that go with messages: there in time, or not waited for."""

import threading
import time

from tests.daemon.desk_kit import T0, finding
from ullage.daemon.attaching import KEPT, Attaching
from ullage.daemon.events import Event, from_finding
from ullage.detectors.finding import Condition, State

PNG = b"\x89PNG and so on"


def end_of(vessel: str = "north") -> Event:
    """Return the end of a fermentation."""
    return from_finding(finding(Condition.FINISHED, State.NOTED, vessel=vessel), T0)


def never() -> None:
    """Stand for a message that nobody waits with."""


def drawn(attaching: Attaching, event: Event) -> bytes | None:
    """Wait as a courier does; return what goes with the message."""
    woken = threading.Event()
    while (wait_s := attaching.wait_s(event, woken.set)) > 0:
        woken.wait(wait_s)
    found = attaching.attachment(event)
    return None if found is None else found.png


def test_only_the_end_of_fermentation_has_one() -> None:
    """Whatever else is told waits for nothing, and nothing is drawn for it."""
    asked: list[Event] = []
    attaching = Attaching(lambda event, _: asked.append(event) or PNG)  # type: ignore[func-returns-value]
    for condition, state in ((Condition.OVER_PRESSURE, State.RAISED), (Condition.CHILLED, State.NOTED)):
        event = from_finding(finding(condition, state), T0)
        assert attaching.wait_s(event, never) == 0
        assert attaching.attachment(event) is None
    assert asked == []


def test_drawn_once_for_all_targets() -> None:
    """However many ask, one picture is drawn; its name says whose it is, and is safe as a file's."""
    asked: list[str] = []
    attaching = Attaching(lambda event, _: asked.append(event.token) or PNG)  # type: ignore[func-returns-value]
    event = end_of("../a b")
    assert [drawn(attaching, event) for _ in range(3)] == [PNG] * 3
    assert len(asked) == 1
    found = attaching.attachment(event)
    assert found is not None
    assert found.name == "---a-b-finished.png"


def test_a_failure_is_no_picture() -> None:
    """Whatever the drawing raises, the message goes, without a second try."""
    asked: list[str] = []

    def fail(event: Event, _left_s: float) -> bytes:
        asked.append(event.token)
        raise MemoryError

    attaching = Attaching(fail)
    assert [drawn(attaching, end_of()) for _ in range(2)] == [None, None]
    assert len(asked) == 1


def test_nobody_waits_longer_than_agreed() -> None:
    """A drawing that hangs is left behind, and so are those that would come after it."""
    leave = threading.Event()

    def hang(_event: Event, _left_s: float) -> bytes:
        leave.wait(60)
        return PNG

    attaching = Attaching(hang, longest_s=0.2)
    began_s = time.monotonic()
    assert drawn(attaching, end_of("north")) is None
    assert drawn(attaching, end_of("south")) is None
    assert time.monotonic() - began_s < 15
    leave.set()


def test_it_is_told_how_long_it_may_take() -> None:
    """What was spent waiting for another picture is no longer there for the next."""
    left: list[float] = []

    def slow(_event: Event, left_s: float) -> bytes:
        left.append(left_s)
        if len(left) == 1:
            threading.Event().wait(0.3)
        return PNG

    attaching = Attaching(slow, longest_s=10.0)
    first, second = end_of("north"), end_of("south")
    attaching.wait_s(first, never)
    attaching.wait_s(second, never)
    assert (drawn(attaching, first), drawn(attaching, second)) == (PNG, PNG)
    assert 9 < left[0] <= 10
    assert left[1] < left[0] - 0.25


def test_memory_is_bounded() -> None:
    """Of many pictures the latest are kept; the others' messages go without rather than be drawn for again."""
    asked: list[str] = []
    attaching = Attaching(lambda event, _: asked.append(event.token) or PNG)  # type: ignore[func-returns-value]
    events = [end_of(f"v{number}") for number in range(KEPT + 5)]
    for event in events:
        drawn(attaching, event)
    assert [attaching.attachment(event) is not None for event in events] == [False] * 5 + [True] * KEPT
    assert [attaching.wait_s(event, never) for event in events] == [0.0] * len(events)
    assert len(asked) == len(events)
