"""Which notices of a vessel were taken down already: asked when its detectors are rebuilt from stored readings."""

import sqlalchemy as sa

from ullage.daemon.store.alarm_tables import alarm_event
from ullage.daemon.store.columns import to_ms
from ullage.daemon.store.store import Store


def noted_since(store: Store, vessel: str, since_s: float) -> frozenset[tuple[str, str]]:
    """Return condition and subject of the notices of `vessel` that happened at or after `since_s`.

    Raises
    ------
    StoreError
        If the database refuses.
    """
    event = alarm_event.c
    query = (
        sa.select(event.condition, event.subject)
        .distinct()
        .where(event.vessel == vessel, event.kind == "noted", event.time_ms >= to_ms(since_s))
    )
    with store.reading() as connection:
        return frozenset((row.condition, row.subject) for row in connection.execute(query))
