"""Packed readings in partitions of PostgreSQL's own, one each week, made ahead of time and dropped whole."""

import re
from collections.abc import Iterable

import sqlalchemy as sa

from ullage.daemon.store.parts import SPAN_MS, Part

AHEAD = 2
"""Weeks that stand ready beyond the present one."""
_LOCK = 0x756C6C62
"""Key of the lock by which daemons take turns in making partitions."""
_PARENT = "reading_block"
_NAME = re.compile(rf"{_PARENT}_(m?\d+)")


def holding(start_ms: int) -> Part:
    """Return the partition that a block belongs into; its name counts the weeks since the epoch."""
    return _week(start_ms // SPAN_MS)


def _week(number: int) -> Part:
    name = f"{_PARENT}_{'m' if number < 0 else ''}{abs(number)}"
    return Part(name, number * SPAN_MS, (number + 1) * SPAN_MS)


def standing(connection: sa.Connection) -> tuple[Part, ...]:
    """Return those that there are, oldest first."""
    query = sa.text("SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent = to_regclass(:parent)")
    found = (_NAME.fullmatch(name.strip('"')) for name in connection.scalars(query, {"parent": _PARENT}))
    numbers = (int(match[1].replace("m", "-")) for match in found if match is not None)
    return tuple(_week(number) for number in sorted(numbers))


def ensure(connection: sa.Connection, starts_ms: Iterable[int]) -> None:
    """Make the partitions that blocks of these starts belong into, where they are missing."""
    wanted = {holding(start_ms) for start_ms in starts_ms}
    if not wanted - set(standing(connection)):
        return
    connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_LOCK)))
    # made by itself and then attached: that way nobody who reads or writes the others has to wait
    for missing in sorted(wanted - set(standing(connection)), key=lambda part: part.start_ms):
        connection.exec_driver_sql(
            f"CREATE TABLE {missing.name} (LIKE {_PARENT} INCLUDING DEFAULTS INCLUDING CONSTRAINTS)"
        )
        connection.exec_driver_sql(
            f"ALTER TABLE {_PARENT} ATTACH PARTITION {missing.name} "
            f"FOR VALUES FROM ({missing.start_ms}) TO ({missing.stop_ms})"
        )


def ensure_ahead(connection: sa.Connection, now_ms: int) -> None:
    """Make this week's partition and those of the weeks to come."""
    ensure(connection, [now_ms + ahead * SPAN_MS for ahead in range(AHEAD + 1)])


def drop(connection: sa.Connection, part: Part) -> None:
    """Drop a partition; gives up after two seconds rather than have every reader queue behind it."""
    connection.exec_driver_sql("SET LOCAL lock_timeout = '2s'")
    connection.exec_driver_sql(f"DROP TABLE IF EXISTS {part.name}")
