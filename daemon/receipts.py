"""Deliveries whose sender hears that we have them when their readings are committed, not before.

A broker keeps a message of QoS 1 until it is acknowledged, and sends it again after a kill or a power cut. So what is
acknowledged only when it is on the disk is lost to neither. But a broker sends only so many messages (20 is usual) before
it waits for the first acknowledgement, and no disk may hold up the watch: of those held, the oldest is let go as soon as
there are more than a broker can spare.
"""

import threading
from collections import deque
from collections.abc import Callable

from ullage.adapters.reading import Delivery

HELD_AT_MOST = 12
"""Messages, of the 20 that brokers usually send at once: the rest keeps the way free for alarms."""
ASK_AT = 6


class Receipts:
    """Held by the pipeline, released by the writer. Safe for one thread of each.

    Parameters
    ----------
    acknowledge
        Tells a sender that we have its delivery; must not raise.
    """

    def __init__(
        self, acknowledge: Callable[[Delivery], None] = lambda delivery: delivery.acknowledge()
    ) -> None:
        self.acknowledge = acknowledge
        self.ask_at = ASK_AT
        """Messages held from which on a commit is asked for."""
        self.early = 0
        """Deliveries acknowledged before they were committed, since more came than may be held."""
        self._lock = threading.Lock()
        self._held: deque[tuple[int, Delivery]] = deque()
        self._messages = 0
        self._number = 0

    def hold(self, delivery: Delivery) -> bool:
        """Keep a delivery whose readings wait for the next commit; return whether that should come soon."""
        with self._lock:
            self._number += 1
            self._held.append((self._number, delivery))
            self._messages += delivery.messages
            over = []
            while self._messages > HELD_AT_MOST:
                over.append(self._take())
            self.early += len(over)
            soon = self._messages >= self.ask_at or bool(over)
        for let_go in over:
            self.acknowledge(let_go)
        return soon

    def ticket(self) -> int:
        """Return the number of the latest delivery held. Its readings were handed to the store before."""
        return self._number

    def settle(self, ticket: int) -> None:
        """Release what was held up to `ticket`: it is committed."""
        with self._lock:
            done = []
            while self._held and self._held[0][0] <= ticket:
                done.append(self._take())
        for delivery in done:
            self.acknowledge(delivery)

    def _take(self) -> Delivery:
        _, delivery = self._held.popleft()
        self._messages -= delivery.messages
        return delivery
