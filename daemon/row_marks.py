"""Notes in the outbox what became of messages; what the database refuses is noted later, and never forgotten meanwhile.

Writing has a thread of its own while it lasts: a disk that takes its time must not keep the courier from the next message.
"""

import threading
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
    """One courier's pen. Safe from several threads.

    Parameters
    ----------
    store
        The outbox; None for a process without one, where nothing is noted.
    holder
        Token of this daemon, where several share the vessels and each reads what concerns its own.
    done
        Called when a write has ended, well or not.
    """

    def __init__(
        self,
        store: Store | None,
        clock: Clock,
        holder: str = "",
        done: Callable[[], None] = lambda: None,
    ) -> None:
        self._store = store
        self._holder = holder
        self._clock = clock
        self._pending: list[Mark] = []
        self._retry_at_s = 0.0
        self._noted = ("", 0.0)
        self._tried: Mark | None = None
        self._done = done
        self._writing: threading.Thread | None = None

    @property
    def busy(self) -> bool:
        """Whether something is being written."""
        writing = self._writing
        return writing is not None and writing.is_alive()

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
        """Have written what is to be noted; waits for nothing. What the database refuses is kept."""
        wanted = self._pending or self._tried is not None
        if (
            wanted
            and not self.busy
            and self._store is not None
            and self._clock.monotonic_s() >= self._retry_at_s
        ):
            self._writing = threading.Thread(
                target=self._write, args=(self._store,), name="marks", daemon=True
            )
            self._writing.start()

    def close(self, timeout_s: float) -> None:
        """Write what is left, and wait for that, but not for ever."""
        self._join(timeout_s)
        self.write()
        self._join(timeout_s)

    def _join(self, timeout_s: float) -> None:
        writing = self._writing
        if writing is not None:
            writing.join(timeout_s)

    def _write(self, store: Store) -> None:
        done, tried = tuple(self._pending), self._tried
        try:
            with store.transaction() as connection:
                for mark in (*([tried] if tried is not None else []), *done):
                    mark(connection)
        except StoreError:  # the desk tells of it; here it only means to try again
            self._retry_at_s = self._clock.monotonic_s() + _RETRY_S
        else:
            del self._pending[: len(done)]  # others may have been added meanwhile
            self._tried = None if self._tried is tried else self._tried
            self._retry_at_s = 0.0
        self._writing = None
        self._done()

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
