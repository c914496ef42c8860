"""Acknowledgements leave in the order of arrival, and a message that comes again is not taken twice."""

import random

from hypothesis import given
from hypothesis import strategies as st

from ullage.adapters.mqtt_inflight import Inflight, Message


def message(mid: int, payload: bytes = b"18.4", arrived_s: float = 0.0) -> Message:
    return Message("t", payload, arrived_s=arrived_s, mid=mid, qos=1, retained=False)


@given(st.integers(1, 60), st.randoms(use_true_random=False))
def test_acknowledgements_keep_the_order_of_arrival(count: int, chance: random.Random) -> None:
    """Whatever the order in which messages are done, their identifiers come out as they came in (MQTT-4.6.0-2)."""
    inflight = Inflight()
    messages = [message(mid) for mid in range(1, count + 1)]
    for each in messages:
        assert inflight.arrived(each)
    sent = []
    for each in chance.sample(messages, count):
        each.done = True
        sent += inflight.due()
    assert sent == list(range(1, count + 1))
    assert len(inflight) == 0


def test_what_we_hold_is_not_taken_again() -> None:
    """After a reconnect the broker repeats it; the acknowledgement still to come serves the new connection."""
    inflight = Inflight()
    first, second = message(1), message(2)
    inflight.arrived(first)
    inflight.arrived(second)
    inflight.connected(session_present=True)
    assert inflight.due() == []
    assert not inflight.arrived(message(1))
    first.done = True
    assert inflight.due() == [1]
    second.done = True
    assert inflight.due() == []  # of a dead connection, and not come again yet
    assert not inflight.arrived(message(2))
    assert inflight.due() == [2]


def test_a_lost_session_begins_anew() -> None:
    """Identifiers of an old session say nothing about a new one."""
    inflight = Inflight()
    inflight.arrived(message(1))
    inflight.connected(session_present=False)
    assert inflight.arrived(message(1))


def test_another_message_under_an_old_identifier_is_new() -> None:
    """Topic and payload must be the same, too."""
    inflight = Inflight()
    inflight.arrived(message(1))
    inflight.connected(session_present=True)
    assert inflight.arrived(message(1, b"18.5"))


def test_what_could_not_be_handed_over_is_taken_again_with_its_first_arrival() -> None:
    """A failed hand-over gets a second chance, and the reading keeps the time at which it came."""
    inflight = Inflight()
    lost = message(1, arrived_s=100.0)
    inflight.arrived(lost)
    lost.lost = True
    inflight.connected(session_present=True)
    again = message(1, arrived_s=160.0)
    assert inflight.arrived(again)
    assert again.arrived_s == 100.0


def test_two_breaks_in_a_row_forget_nothing() -> None:
    """What was not repeated on a connection that broke again at once may still come on the next."""
    inflight = Inflight()
    inflight.arrived(message(1))
    inflight.connected(session_present=True)
    inflight.connected(session_present=True)
    assert not inflight.arrived(message(1))
