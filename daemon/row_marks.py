"""Notes in the outbox what became of messages; what the database refuses is noted later, and never forgotten meanwhile."""

from collections.abc import Callable, Sequence
from functools import partial

import sqlalchemy as sa

from ullage.adapters.errors import StoreError
from ullage.daemon import outbox
from ullage.daemon.clock import Clock
from ullage.daemon.delivery import Reason
from ullage.daemon.outbox import Message
from ullage.daemon.store.store import Store

_RETRY_S = 5.0
_NOTE_TRIES_S = 600.0
"""Tries that fail as before are noted no oftener than this: each costs a write on the card."""

Mark = Callable[[sa.Connection], None]


class RowMarks:
    """One courier's pen. Used by the courier's thread; `sent` may be called from others as well.

    Parameters
    ----------
    store
        The outbox; None for a process without one, where nothing is noted.
    holder
        Token of this daemon, where several share the vessels and each reads what concerns its own.
    """

    def __init__(self, store: Store | None, clock: Clock, holder: str = "") -> None:
        self._store = store
        self._holder = holder
        self._clock = clock
        self._pending: list[Mark] = []
        self._retry_at_s = 0.0
        self._noted = ("", 0.0)
        self._tried: Mark | None = None

    @property
    def waiting(self) -> int:
        """Notes not yet written."""
        return len(self._pending)

    def sent(self, rows: Sequence[int]) -> None:
        """Note that the target has them."""
        if rows:
            self._pending.append(partial(outbox.mark_sent, rows=rows, now_s=self._clock.wall_s()))

    def given_up(self, rows: Sequence[int], reason: Reason) -> None:
        """Note that they are not tried again."""
        if rows:
            mark = partial(outbox.give_up, rows=rows, reason=reason.value, now_s=self._clock.wall_s())
            self._pending.append(mark)

    def tried(self, rows: Sequence[int], attempts: int, reason: Reason, pause_s: float) -> None:
        """Note that a try failed; dropped if the last such note is recent and says the same."""
        said, at_s = self._noted
        monotonic_s = self._clock.monotonic_s()
        if not rows or (said == reason.value and monotonic_s - at_s < _NOTE_TRIES_S):
            return
        self._noted = (reason.value, monotonic_s)
        next_try_s = self._clock.wall_s() + pause_s
        self._tried = partial(
            outbox.mark_tried, rows=rows, attempts=attempts, reason=reason.value, next_try_s=next_try_s
        )

    def write(self) -> None:
        """Write what is to be noted, in one transaction; keep it if the database refuses."""
        done = tuple(self._pending)
        waiting = [*([self._tried] if self._tried is not None else []), *done]
        if not waiting or self._store is None or self._clock.monotonic_s() < self._retry_at_s:
            return
        try:
            with self._store.transaction() as connection:
                for mark in waiting:
                    mark(connection)
        except StoreError:  # the desk tells of it; here it only means to try again
            self._retry_at_s = self._clock.monotonic_s() + _RETRY_S
            return
        del self._pending[: len(done)]  # others may have been added meanwhile
        self._tried = None
        self._retry_at_s = 0.0

    def read(self, target: str) -> tuple[Message, ...] | None:
        """Return what waits in the outbox; None if the database refuses or does not know yet what was sent."""
        self.write()
        if self._store is None:
            return ()
        if self._pending:
            return None
        try:
            with self._store.reading() as connection:
                return outbox.read_waiting(connection, target, holder=self._holder)
        except StoreError:
            return None
