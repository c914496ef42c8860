"""Who lives, and who holds which vessels: rows on a PostgreSQL server, by that server's clock alone.

The rule that everything rests on: a daemon's token stands in `share_member` as long as it may write. Whoever takes over
from a daemon that has not renewed its row in time deletes the row first; every transaction of a daemon holds a lock
on its own row, which the deletion waits for. So either the old holder's write is committed before the new one begins,
or it is refused. A process that is frozen inside a transaction would make that a long wait; the server ends such a
transaction after `IDLE_S`.
"""

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import sqlalchemy as sa

from ullage.adapters.errors import StoreError
from ullage.daemon.store.share_tables import share_member, share_part, share_vessel

TERM_S = 10.0
"""How long a row holds that is not renewed."""
IDLE_S = 3.0
"""How long a transaction of a daemon may stand still before the server ends it."""
HOUSE = ""
"""Stands for the installation itself among the vessels: its holder does what is to be done once for all."""
HOUSE_PART = 0
FEW_PARTS = 64
"""Parts are opened one a vessel up to this many, so that few vessels can be shared out evenly."""
FULL_PART = 64
"""Beyond that a part is filled up to so many vessels: each part is a session of its own on the broker."""

_LOCK = 0x756C6C63
"""Key of the lock under which members come and go and parts change hands."""
_NOW_MS = sa.cast(sa.extract("epoch", sa.func.clock_timestamp()) * 1000, sa.BigInteger)


class LeaseLost(StoreError):
    """Another daemon has taken over: this one must neither write nor tell anybody anything."""

    def __init__(self, name: str) -> None:
        super().__init__(name, "has lost its vessels to another daemon", "it begins anew")
        self.retryable = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """One daemon."""

    token: str
    """Another at every start."""
    name: str
    machine: str
    alone: bool
    """Whether it has the database to itself."""
    knows: str = ""
    """Mark of the vessels in its configuration: all should have the same."""
    left_s: float = TERM_S
    """Seconds until its row expires, negative if it has."""

    @property
    def overdue(self) -> bool:
        """Whether it has not renewed its row in time."""
        return self.left_s < 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Vessels that change hands together."""

    number: int
    vessels: int
    holder: str | None
    """Token of a member."""


def take_turns(connection: sa.Connection) -> None:
    """Wait until no other daemon changes who holds what; held until the transaction ends."""
    connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_LOCK)))


def join(connection: sa.Connection, member: Member) -> None:
    """Write a member's row; its name must be free."""
    connection.execute(
        share_member.insert().values(
            token=member.token,
            name=member.name,
            machine=member.machine,
            alone=int(member.alone),
            knows=member.knows,
            joined_ms=_NOW_MS,
            expires_ms=_NOW_MS + round(TERM_S * 1000),
        )
    )


def renew(connection: sa.Connection, token: str) -> bool:
    """Give a member another term; False if it is a member no more."""
    changed = connection.execute(
        share_member.update()
        .where(share_member.c.token == token)
        .values(expires_ms=_NOW_MS + round(TERM_S * 1000))
    )
    return changed.rowcount == 1


def leave(connection: sa.Connection, token: str) -> None:
    """Take a member's row away; what it holds is nobody's then."""
    connection.execute(share_member.delete().where(share_member.c.token == token))


def bury(connection: sa.Connection, tokens: Collection[str]) -> tuple[Member, ...]:
    """Take the rows of those away that have not renewed them in time after all; return them.

    Waits until what they are writing this moment is written or refused.
    """
    member = share_member.c
    dead = share_member.delete().where(member.expires_ms < _NOW_MS, member.token.in_(tokens))
    return tuple(_member(row, 0.0) for row in connection.execute(dead.returning(*member)))


def require(connection: sa.Connection, token: str, name: str) -> None:
    """Make sure that a member is one until the end of this transaction.

    Raises
    ------
    LeaseLost
        If it is none any more.
    """
    member = sa.select(share_member.c.token).where(share_member.c.token == token)
    locked = member.with_for_update(read=True, key_share=True).subquery()
    patience = sa.func.set_config("idle_in_transaction_session_timeout", str(round(IDLE_S * 1000)), True)
    found = connection.execute(sa.select(patience, sa.select(locked.c.token).scalar_subquery())).one()
    if found[1] is None:
        raise LeaseLost(name)


def members(connection: sa.Connection) -> tuple[Member, ...]:
    """Return all members, the expired ones too, by name."""
    left_ms = (share_member.c.expires_ms - _NOW_MS).label("left_ms")
    return tuple(
        _member(row, row.left_ms / 1000)
        for row in connection.execute(sa.select(share_member, left_ms).order_by(share_member.c.name))
    )


def _member(row: "sa.Row[tuple[object, ...]]", left_s: float) -> Member:
    return Member(
        token=row.token,
        name=row.name,
        machine=row.machine,
        alone=bool(row.alone),
        knows=row.knows,
        left_s=left_s,
    )


def mark_of(vessels: Collection[str]) -> str:
    """Return a mark by which daemons see whether they know the same vessels."""
    return hashlib.blake2b("\n".join(sorted(vessels)).encode(), digest_size=16).hexdigest()


def parts(connection: sa.Connection, configured: Collection[str]) -> tuple[Part, ...]:
    """Return the parts that hold a configured vessel, or the installation itself."""
    inside: dict[int, int] = {}
    for number, vessel in connection.execute(sa.select(share_vessel.c.part, share_vessel.c.vessel)):
        if vessel in configured:
            inside[number] = inside.get(number, 0) + 1
        elif vessel == HOUSE:
            inside.setdefault(number, 0)
    query = sa.select(share_part.c.number, share_part.c.holder).order_by(share_part.c.number)
    return tuple(
        Part(number=number, vessels=inside[number], holder=holder)
        for number, holder in connection.execute(query)
        if number in inside
    )


def register(connection: sa.Connection, vessels: Sequence[str], *, forget: bool) -> None:
    """Put vessels that are in no part yet into the emptiest, or into new ones; the caller has taken its turn.

    Parameters
    ----------
    vessels
        All that are configured.
    forget
        Whether others are gone for good.
    """
    if forget:
        strangers = share_vessel.c.vessel.not_in([*vessels, HOUSE])
        connection.execute(share_vessel.delete().where(strangers))
    rows = connection.execute(sa.select(share_vessel.c.part, share_vessel.c.vessel)).all()
    known = {row.vessel for row in rows}
    filled = dict.fromkeys(connection.scalars(sa.select(share_part.c.number)), 0)
    for row in rows:
        filled[row.part] += 1
    if HOUSE not in known:
        _open(connection, filled, HOUSE_PART)
        connection.execute(share_vessel.insert().values(vessel=HOUSE, part=HOUSE_PART))
    filled.pop(HOUSE_PART, None)
    for vessel in vessels:
        if vessel in known:
            continue
        emptiest = min(filled, key=lambda number: (filled[number], number), default=None)
        full = emptiest is None or filled[emptiest] >= (1 if len(filled) < FEW_PARTS else FULL_PART)
        number = max(filled, default=HOUSE_PART) + 1 if emptiest is None or full else emptiest
        if number not in filled:
            _open(connection, filled, number)
        filled[number] += 1
        connection.execute(share_vessel.insert().values(vessel=vessel, part=number))


def _open(connection: sa.Connection, filled: dict[int, int], number: int) -> None:
    connection.execute(share_part.insert().values(number=number, fence=0))
    filled[number] = 0


def take(connection: sa.Connection, token: str, number: int) -> bool:
    """Let a member hold a part that is nobody's; False if it is somebody's."""
    part = share_part.c
    changed = connection.execute(
        share_part.update()
        .where(part.number == number, part.holder.is_(None))
        .values(holder=token, fence=part.fence + 1, taken_ms=_NOW_MS)
    )
    return changed.rowcount == 1


def release(connection: sa.Connection, token: str, number: int) -> None:
    """Let a part be nobody's that this member holds."""
    part = share_part.c
    connection.execute(
        share_part.update().where(part.number == number, part.holder == token).values(holder=None)
    )


def vessels_of(connection: sa.Connection, number: int) -> frozenset[str]:
    """Return the vessels of a part."""
    return frozenset(
        connection.scalars(sa.select(share_vessel.c.vessel).where(share_vessel.c.part == number))
    )


def held_by(token: str) -> "sa.Select[tuple[str]]":
    """Return the query for the vessels that a member holds."""
    return (
        sa.select(share_vessel.c.vessel)
        .join(share_part, share_part.c.number == share_vessel.c.part)
        .where(share_part.c.holder == token)
    )


def holders(connection: sa.Connection) -> Mapping[str, str]:
    """Return the name of the daemon that holds each vessel; a vessel that nobody holds is not among them."""
    query = (
        sa.select(share_vessel.c.vessel, share_member.c.name)
        .join(share_part, share_part.c.number == share_vessel.c.part)
        .join(share_member, share_member.c.token == share_part.c.holder)
        .where(share_member.c.expires_ms >= _NOW_MS)
    )
    return {vessel: name for vessel, name in connection.execute(query)}
