"""The hand-over between the network thread and the one that decodes and delivers."""

import threading
from collections import deque

from ullage.adapters.mqtt_inflight import Message


class Waiting:
    """Messages that wait to be handed over, oldest first; whatever waits is taken in one go.

    Parameters
    ----------
    limit
        From here on it is `full`; the network thread stops reading then.
    most
        Messages taken at once.
    """

    def __init__(self, limit: int, most: int = 200) -> None:
        self.limit = limit
        self._most = most
        self._messages: deque[Message] = deque()
        self._filled = threading.Condition()
        self._dropped = 0

    def __len__(self) -> int:
        return len(self._messages)

    def full(self) -> bool:
        """Tell whether no more should be put."""
        return len(self._messages) >= self.limit

    def put(self, message: Message) -> None:
        """Add a message."""
        with self._filled:
            self._messages.append(message)
            self._filled.notify()

    def drop(self) -> None:
        """Count a message that found no room."""
        with self._filled:
            self._dropped += 1

    def take(self, timeout_s: float) -> tuple[list[Message], int]:
        """Return messages, and how many were dropped since the last call; both empty after the timeout."""
        with self._filled:
            if not self._messages:
                self._filled.wait(timeout_s)
            count = min(len(self._messages), self._most)
            taken = [self._messages.popleft() for _ in range(count)]
            dropped, self._dropped = self._dropped, 0
            return taken, dropped

    def clear(self) -> None:
        """Forget what waits: unacknowledged, it comes again with the next session."""
        with self._filled:
            for message in self._messages:
                message.lost = True
            self._messages.clear()
