"""What the outbox holds for each target, counted for tests."""

from dataclasses import dataclass

import sqlalchemy as sa

from ullage.daemon.outbox import RowState
from ullage.daemon.store.alarm_tables import outbox


@dataclass(frozen=True, slots=True, kw_only=True)
class Backlog:
    """What the outbox holds for one target."""

    target: str
    waiting: int
    oldest_s: float | None
    """When the oldest waiting message was written."""
    sent: int
    given_up: int
    last_reason: str
    """Why the newest failure failed; empty if nothing waits that has failed."""


def read_backlogs(connection: sa.Connection) -> tuple[Backlog, ...]:
    """Return what the outbox holds for each target."""

    def count(state: RowState) -> sa.Function[int]:
        return sa.func.sum(sa.case((outbox.c.state == state.value, 1), else_=0))

    waiting = outbox.c.state == RowState.WAITING.value
    query = sa.select(
        outbox.c.target,
        count(RowState.WAITING).label("waiting"),
        count(RowState.SENT).label("sent"),
        count(RowState.GIVEN_UP).label("given_up"),
        sa.func.min(sa.case((waiting, outbox.c.made_ms))).label("oldest_ms"),
        sa.func.max(sa.case((waiting, outbox.c.reason), else_="")).label("reason"),
    ).group_by(outbox.c.target)
    return tuple(
        Backlog(
            target=row.target,
            waiting=int(row.waiting),
            oldest_s=None if row.oldest_ms is None else row.oldest_ms / 1000,
            sent=int(row.sent),
            given_up=int(row.given_up),
            last_reason=row.reason,
        )
        for row in connection.execute(query.order_by(outbox.c.target))
    )
