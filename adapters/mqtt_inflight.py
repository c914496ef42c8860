"""Messages between their arrival and their acknowledgement, over broken connections too.

Acknowledgements must leave in the order in which the messages came (MQTT 5.0, MQTT-4.6.0-2), on the connection on which
they came. After a reconnect the broker sends again what we had not acknowledged; we may well be holding it still, and
handing it over twice would make one reading into two with two arrival times.
"""

from collections import deque


class Message:
    """One message as it came. `done` is set by whoever acknowledges, from any thread."""

    __slots__ = ("arrived_s", "done", "given", "lost", "mid", "payload", "qos", "retained", "topic")

    def __init__(
        self, topic: str, payload: bytes, *, arrived_s: float, mid: int, qos: int, retained: bool
    ) -> None:
        self.topic = topic
        self.payload = payload
        self.arrived_s = arrived_s
        self.mid = mid
        self.qos = qos
        self.retained = retained
        self.done = False
        self.given = False
        """The hand-over has taken it."""
        self.lost = False
        """Handing over failed: it must be taken anew when the broker sends it again."""


class Inflight:
    """What came on this connection and is not acknowledged yet, in the order of arrival; network thread only."""

    def __init__(self) -> None:
        self._order: deque[Message] = deque()
        self._before: dict[int, Message] = {}

    def __len__(self) -> int:
        return len(self._order)

    def connected(self, *, session_present: bool) -> None:
        """Begin a new connection: acknowledgements for the last one are void, its messages may come again."""
        unanswered = {message.mid: message for message in self._order}
        # what an even earlier connection left may still be to come
        self._before = {**self._before, **unanswered} if session_present else {}
        self._order = deque()

    def arrived(self, message: Message) -> bool:
        """Note a message of QoS 1; True if it is new, False if it is one that we hold already."""
        held = self._before.pop(message.mid, None)
        if held is not None and (held.topic, held.payload) == (message.topic, message.payload):
            if not held.lost:
                self._order.append(held)
                return False
            message.arrived_s = held.arrived_s
        self._order.append(message)
        return True

    def handed_over(self) -> bool:
        """Tell whether somebody holds a message that could still be acknowledged in its turn."""
        return bool(self._order) and self._order[0].given and not self._order[0].lost

    def due(self) -> list[int]:
        """Take out and return the packet identifiers that may be acknowledged now, in order."""
        order = self._order
        due = []
        while order and order[0].done:
            due.append(order.popleft().mid)
        return due
