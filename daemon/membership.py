"""This daemon's row among those that share a database: renewed by a thread of its own, and what it means to lose it.

By the database's clock it holds for `TERM_S`. Here it is counted by a clock that goes on while the machine sleeps, from
before each renewal was asked for, so this side never thinks itself a member for longer than the database does.
"""

import logging
import secrets
import socket
import threading
import time
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from enum import Enum
from typing import Any

import sqlalchemy as sa

from ullage.adapters.errors import StoreError
from ullage.daemon.health import LoopHealth
from ullage.daemon.store import leases
from ullage.daemon.store.engine import label, make_engine, parse_url, translate
from ullage.daemon.store.leases import TERM_S, LeaseLost, Member

log = logging.getLogger(__name__)

RENEW_S = 2.0
ANSWER_S = 4.0
"""How long the database may take to answer about a lease."""
JOIN_S = TERM_S + 4.0
"""How long to wait for another's row to expire at most."""
_TRY_S = 0.5


class Standing(Enum):
    """What this daemon may do about its vessels."""

    HELD = "held"
    DOUBTFUL = "doubtful"
    """The term is over and nothing is known: the process stood still. Nothing may leave it before that is known."""
    AWAY = "away"
    """The term is over and the database does not answer; it may not answer the others either, so the watch goes on."""
    LOST = "lost"
    """Another daemon has taken over."""


def boot_s() -> float:
    """Return seconds since the machine was started, those asleep included where the system counts them."""
    clock = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
    return time.clock_gettime(clock)


class Membership:
    """One daemon's membership. Safe to ask from any thread.

    Parameters
    ----------
    url
        Of the PostgreSQL database; a connection of its own, so that no long transaction delays a renewal.
    name
        Of this daemon; no two may have the same.
    alone
        Whether it wants the database to itself.
    vessels
        All that are configured.
    now_s
        The clock by which terms are counted here.
    """

    def __init__(
        self,
        url: str,
        name: str,
        *,
        alone: bool,
        vessels: Collection[str] = (),
        now_s: Callable[[], float] = boot_s,
    ) -> None:
        self.member = Member(
            token=secrets.token_hex(16),
            name=name,
            machine=socket.gethostname()[:200],
            alone=alone,
            knows=leases.mark_of(vessels),
        )
        self.fit: Callable[[], bool] = lambda: True
        """Whether this daemon is able to look after vessels; its lease is not renewed while it is not."""
        self._url = parse_url(url)
        self._engine = make_engine(self._url, read_only=False, busy_timeout_s=ANSWER_S)
        _make_impatient(self._engine)
        self._now_s = now_s
        self._until_s = 0.0
        self._failed_s = float("-inf")
        self._steady_since_s = float("inf")
        self._lost = False
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._said = ""

    @property
    def token(self) -> str:
        """What stands for this run of this daemon."""
        return self.member.token

    def join(self, tell: Callable[[str], object] = lambda words: None) -> None:
        """Become a member and stay one: start the thread that renews.

        Parameters
        ----------
        tell
            Hears in words what is waited for.

        Raises
        ------
        StoreError
            If another daemon has the name, or has the database to itself, or this one wants that and can't.
        """
        try:
            begun_s = self._enter(tell)
        except BaseException:
            self._engine.dispose()
            raise
        self._until_s, self._steady_since_s = begun_s + TERM_S, begun_s
        self._thread = threading.Thread(target=self._run, name="lease", daemon=True)
        self._thread.start()

    def _enter(self, tell: Callable[[str], object]) -> float:
        """Wait until there is room and write the row; return from when its term is counted."""
        deadline_s = self._now_s() + JOIN_S
        left_s: dict[str, float] = {}
        while True:
            begun_s = self._now_s()
            with self.transaction() as connection:
                leases.take_turns(connection)
                rivals = [each for each in leases.members(connection) if self._excludes(each)]
                in_the_way = next((each for each in rivals if not each.overdue), None)
                if in_the_way is None:
                    leases.bury(connection, [each.token for each in rivals])
                    leases.join(connection, self.member)
            if in_the_way is None:
                return begun_s
            # a row that is pushed ahead is a living daemon's; one that runs out may be our own, from before a kill
            renewed = in_the_way.left_s > left_s.get(in_the_way.token, TERM_S)
            if renewed or self._now_s() > deadline_s:
                raise self._refused(in_the_way)
            left_s[in_the_way.token] = in_the_way.left_s
            tell(f"Waiting for the lease of {in_the_way.name} to end")
            self._stopping.wait(_TRY_S)

    def leave(self) -> None:
        """Be a member no more: what this daemon holds is free at once."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(2 * ANSWER_S)
        try:
            if not self._lost:
                with self.transaction() as connection:
                    leases.leave(connection, self.token)
        except StoreError as error:  # the row expires by itself
            log.warning("the lease could not be handed back", extra={"error": str(error)})
        self._engine.dispose()

    def standing(self) -> Standing:
        """Tell what this daemon may do now."""
        if self._lost:
            return Standing.LOST
        if self._now_s() < self._until_s:
            return Standing.HELD
        return Standing.AWAY if self._failed_s >= self._until_s else Standing.DOUBTFUL

    def lost(self) -> bool:
        """Tell whether another daemon has taken over, for good."""
        return self._lost

    def steady_s(self) -> float:
        """Return for how long the database has answered without a failure: who has missed it must not judge others."""
        return self._now_s() - self._steady_since_s

    def guard(self, connection: sa.Connection) -> None:
        """Let a transaction of the store go on only as a member's.

        Raises
        ------
        LeaseLost
            If another daemon has taken over.
        """
        try:
            leases.require(connection, self.token, self.member.name)
        except LeaseLost:
            self._lose()
            raise

    @contextmanager
    def transaction(self) -> Iterator[sa.Connection]:
        """Give a connection for a short change of who holds what.

        Raises
        ------
        StoreError
            If the database refuses.
        """
        try:
            with self._engine.begin() as connection:
                yield connection
        except sa.exc.SQLAlchemyError as error:
            raise translate(error, self._url, "the lease") from None

    def loop_health(self) -> LoopHealth:
        """Tell whether the thread runs; a database that is away is the desk's affair."""
        alive = self._thread is not None and self._thread.is_alive()
        return LoopHealth(
            name="lease", healthy=alive, alive=alive, detail="renews" if alive else "the thread does not run"
        )

    def _run(self) -> None:
        while not self._stopping.wait(RENEW_S if self.standing() is Standing.HELD else _TRY_S):
            if self._lost:
                return
            if self.fit():
                self.renew()

    def renew(self) -> None:
        """Ask for another term."""
        begun_s = self._now_s()
        try:
            with self.transaction() as connection:
                kept = leases.renew(connection, self.token)
        except StoreError as error:
            self._failed_s, self._steady_since_s = self._now_s(), float("inf")
            if self._said != error.detail:
                self._said = error.detail
                log.warning("the lease could not be renewed", extra={"error": error.detail})
            return
        if not kept:
            self._lose()
            return
        self._until_s = begun_s + TERM_S
        self._steady_since_s = min(self._steady_since_s, begun_s)
        if self._said:
            self._said = ""
            log.info("the lease is renewed again")

    def _lose(self) -> None:
        if not self._lost:
            self._lost = True
            log.critical("another daemon has taken over the vessels of this one, which ends")

    def _excludes(self, other: Member) -> bool:
        """Tell whether a member may not live beside this one."""
        return other.name == self.member.name or self.member.alone or other.alone

    def _refused(self, other: Member) -> StoreError:
        where = label(self._url)
        if other.name == self.member.name:
            detail = f"is used by another daemon that is called {other.name}, on {other.machine}"
            hint = "stop that one, or give this one another share.name"
        else:
            detail = f"is used by the daemon {other.name} on {other.machine}"
            hint = "stop that one, or let both share the vessels: see share: in config.example.yaml"
        error = StoreError(where, detail, hint)
        error.retryable = False
        return error


def _make_impatient(engine: sa.Engine) -> None:
    """Let no question about a lease wait for long, neither on the way nor for another's lock."""

    def on_connect(connection: Any, _record: object) -> None:
        connection.execute(f"SET statement_timeout = '{round(ANSWER_S * 1000)}'")
        connection.execute(f"SET idle_in_transaction_session_timeout = '{round(leases.IDLE_S * 1000)}'")
        connection.commit()

    sa.event.listen(engine, "connect", on_connect)
