"""What of all that the database holds is this daemon's to act upon: everything, or its share of the vessels."""

import threading
from collections.abc import Collection
from typing import Protocol

from ullage.daemon.membership import Membership, Standing
from ullage.daemon.store.leases import HOUSE


class Turf(Protocol):
    """Asked before anything is told, reminded of or written that another daemon might see to."""

    @property
    def name(self) -> str:
        """The daemon's name where there are several, else empty."""
        ...

    @property
    def token(self) -> str:
        """What stands for this daemon's run in the database where there are several, else empty."""
        ...

    def mine(self, vessel: str) -> bool:
        """Tell whether a vessel is; the empty name stands for the installation itself."""
        ...

    def may_tell(self, *, stored: bool) -> bool:
        """Tell whether a message may go out now; one that is stored could be told by whoever holds its vessel."""
        ...


class Everything:
    """The turf of a daemon that nobody can take anything from."""

    name = ""
    token = ""

    def mine(self, vessel: str) -> bool:
        """Say yes."""
        return True

    def may_tell(self, *, stored: bool) -> bool:
        """Say yes."""
        return True


class Alone(Everything):
    """The turf of a daemon that has a server's database to itself."""

    def __init__(self, membership: Membership) -> None:
        self._membership = membership

    def may_tell(self, *, stored: bool) -> bool:
        """Say no only where another may have come instead."""
        return self._membership.standing() in (Standing.HELD, Standing.AWAY)


class Shared:
    """The turf of one daemon among several. Safe to ask from any thread."""

    def __init__(self, membership: Membership) -> None:
        self._membership = membership
        self._lock = threading.Lock()
        self._parts: dict[int, frozenset[str]] = {}
        self._vessels: frozenset[str] = frozenset()

    @property
    def name(self) -> str:
        """Return the daemon's name."""
        return self._membership.member.name

    @property
    def token(self) -> str:
        """Return what stands for this run of it."""
        return self._membership.token

    @property
    def parts(self) -> Collection[int]:
        """Return the parts that are here."""
        return self._parts.keys()

    def take(self, number: int, vessels: Collection[str]) -> None:
        """Have a part from now on."""
        self._set({**self._parts, number: frozenset(vessels)})

    def drop(self, number: int) -> None:
        """Have it no more."""
        self._set({known: vessels for known, vessels in self._parts.items() if known != number})

    def _set(self, parts: dict[int, frozenset[str]]) -> None:
        with self._lock:
            self._parts = parts
            self._vessels = frozenset().union(*parts.values())

    def mine(self, vessel: str) -> bool:
        """Tell whether a vessel is here; the installation is a vessel without a name."""
        return vessel in self._vessels

    def may_tell(self, *, stored: bool) -> bool:
        """Say yes as a member; without a word from the database only what nobody else can know of."""
        standing = self._membership.standing()
        return standing is Standing.HELD or (standing is Standing.AWAY and not stored)


__all__ = ["HOUSE", "Alone", "Everything", "Shared", "Turf"]
