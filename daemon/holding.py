"""Which daemon watches which vessel, where several share them: for those who look, not for those who act."""

from collections.abc import Mapping
from dataclasses import dataclass

import sqlalchemy as sa

from ullage.daemon.store import leases
from ullage.daemon.store.leases import HOUSE
from ullage.daemon.store.share_tables import share_vessel
from ullage.daemon.store.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class DaemonShare:
    """One daemon that lives."""

    name: str
    machine: str
    vessels: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Holding:
    """Who holds what, by the database's clock."""

    daemons: tuple[DaemonShare, ...]
    holders: Mapping[str, str]
    """Vessel to the name of the daemon; a vessel that nobody holds is not in it."""


def holding(store: Store) -> Holding | None:
    """Return who holds what; None where one daemon has everything.

    Raises
    ------
    StoreError
        If the database refuses.
    """
    with store.reading() as connection:
        if connection.dialect.name != "postgresql":
            return None
        living = [member for member in leases.members(connection) if not member.overdue]
        shared = bool(connection.scalar(sa.select(sa.func.count()).select_from(share_vessel)))
        if not shared or any(member.alone for member in living):
            return None
        holders = leases.holders(connection)
    held = [name for vessel, name in holders.items() if vessel != HOUSE]
    daemons = tuple(
        DaemonShare(name=member.name, machine=member.machine, vessels=held.count(member.name))
        for member in living
    )
    return Holding(daemons=daemons, holders=holders)
