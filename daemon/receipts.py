"""Deliveries whose sender hears that we have them when their readings are committed, not before.

A broker keeps a message of QoS 1 until it is acknowledged, and sends it again after a kill or a power cut. So what is
acknowledged only when it is on the disk is lost to neither. But a broker sends only so many messages (20 is usual) before
it waits for the first acknowledgement, and no disk may hold up the watch: of those of one source that are held, the
oldest is let go as soon as there are more than its broker can spare. Unless another daemon may have taken over: then they
are that one's, which the broker gives what is not acknowledged, and this one can commit them no more.
"""

import threading
from collections import deque
from collections.abc import Callable

from ullage.adapters.reading import Delivery

HELD_AT_MOST = 12
"""Messages, of the 20 that brokers usually send at once: the rest keeps the way free for alarms."""
ASK_AT = 6


class Receipts:
    """Held by the pipeline, released by the writer. Safe from several threads.

    Parameters
    ----------
    acknowledge
        Tells a sender that we have its delivery; must not raise.
    most
        Messages held of one source; beyond it its oldest is let go.
    ask_at
        Messages of one source held from which on a commit is asked for.
    may_let_go
        Whether a sender may hear of what is not committed. Asked whenever there is such; must not wait.
    """

    def __init__(
        self,
        acknowledge: Callable[[Delivery], None] = lambda delivery: delivery.acknowledge(),
        *,
        most: int = HELD_AT_MOST,
        ask_at: int = ASK_AT,
        may_let_go: Callable[[], bool] = lambda: True,
    ) -> None:
        self.acknowledge = acknowledge
        self._most = self._allowed = most
        self.ask_at = ask_at
        self._may_let_go = may_let_go
        self.early = 0
        """Deliveries acknowledged before they were committed, since more came than may be held."""
        self._lock = threading.Lock()
        self._held: dict[str, deque[tuple[int, Delivery]]] = {}
        self._messages: dict[str, int] = {}
        self._seen: dict[str, int] = {}
        self._reached = 0
        self.number = 0
        """Of the latest delivery held."""

    def hold(self, delivery: Delivery) -> bool:
        """Keep a delivery whose readings wait for the next commit; return whether that should come soon."""
        source = delivery.source
        with self._lock:
            self.number += 1
            self._held.setdefault(source, deque()).append((self.number, delivery))
            self._messages[source] = self._messages.get(source, 0) + delivery.messages
            over = self._beyond(source)
            self.early += len(over)
            soon = self._messages[source] >= self.ask_at or bool(over)
        for let_go in over:
            self.acknowledge(let_go)
        return soon

    def reach(self, number: int) -> None:
        """Note that the readings of every delivery up to this number are with the store."""
        self._reached = max(self._reached, number)

    def ticket(self) -> int:
        """Return up to which number deliveries will be committed by a commit that begins now."""
        return self._reached

    def settle(self, ticket: int) -> None:
        """Release what was held up to `ticket`: it is committed."""
        with self._lock:
            self._allowed = self._most
            done = []
            for source, held in self._held.items():
                while held and held[0][0] <= ticket:
                    done.append(self._take(source))
        for delivery in done:
            self.acknowledge(delivery)

    def stalled(self) -> bool:
        """Tell whether some source has had nothing new since the last call while messages of it are held.

        It may have nothing to say, or its broker may send no more before it hears from us: in doubt a commit is due.
        """
        with self._lock:
            quiet = any(held and self._seen.get(source) == held[-1][0] for source, held in self._held.items())
            self._seen = {source: held[-1][0] for source, held in self._held.items() if held}
            return quiet

    def refused(self) -> None:
        """Hold no more than any broker can spare until the database takes readings again."""
        with self._lock:
            self._allowed = min(self._most, HELD_AT_MOST)
            over = [delivery for source in self._held for delivery in self._beyond(source)]
            self.early += len(over)
        for let_go in over:
            self.acknowledge(let_go)

    def _beyond(self, source: str) -> list[Delivery]:
        over = []
        while self._messages[source] > self._allowed and self._may_let_go():
            over.append(self._take(source))
        return over

    def _take(self, source: str) -> Delivery:
        _, delivery = self._held[source].popleft()
        self._messages[source] -= delivery.messages
        return delivery
