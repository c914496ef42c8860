"""The bounded queue in front of the pipeline: whatever waits is taken in one go, and nothing is dropped."""

import threading
from collections import deque
from collections.abc import Callable
from typing import Generic, TypeVar

T = TypeVar("T")


class Inbox(Generic[T]):
    """A first-in first-out queue for many givers and one taker.

    When it is full the giver waits (back-pressure, counted in `full_waits`): a source that waits stops reading, and
    a broker or a serial buffer holds what comes meanwhile. Dropping a reading would be worse than a late one.

    Parameters
    ----------
    limit
        What may wait before a giver has to: items, or what they weigh together.
    weigh
        What an item counts for.
    """

    def __init__(self, limit: int, weigh: Callable[[T], int] = lambda item: 1) -> None:
        self._limit = limit
        self._weigh = weigh
        self._weight = 0
        self._items: deque[T] = deque()
        lock = threading.Lock()
        self._filled = threading.Condition(lock)
        self._drained = threading.Condition(lock)
        self._closed = False
        self.full_waits = 0

    def put(self, item: T, timeout_s: float | None = None) -> bool:
        """Add `item`, waiting while the queue is full; False when it was closed or `timeout_s` passed."""
        with self._filled:
            if self._weight >= self._limit and not self._closed:
                self.full_waits += 1
                self._drained.wait_for(lambda: self._closed or self._weight < self._limit, timeout_s)
            if self._closed or self._weight >= self._limit:
                return False
            self._items.append(item)
            self._weight += self._weigh(item)
            if len(self._items) == 1:  # the taker sleeps only on an empty queue
                self._filled.notify()
            return True

    def take(self, most: int, timeout_s: float) -> list[T]:
        """Return up to `most` items, oldest first, waiting up to `timeout_s` for the first one."""
        with self._filled:
            if not self._items and not self._closed:
                self._filled.wait(timeout_s)
            if len(self._items) <= most:
                taken = list(self._items)
                self._items.clear()
                self._weight = 0
            else:
                taken = [self._items.popleft() for _ in range(most)]
                self._weight -= sum(map(self._weigh, taken))
            if taken:
                self._drained.notify_all()
            return taken

    def close(self) -> None:
        """Refuse further items and wake whoever waits; what is in the queue may still be taken."""
        with self._filled:
            self._closed = True
            self._filled.notify_all()
            self._drained.notify_all()

    def __len__(self) -> int:
        return len(self._items)
