"""How a commit is laid out and when commits are folded into blocks: in a file all together, on a server by vessel."""

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager

import sqlalchemy as sa

from ullage.daemon.store.columns import Column
from ullage.daemon.store.pending import Channel
from ullage.daemon.store.readings import (
    fold,
    fold_is_due,
    fold_vessel,
    loose_rows,
    pack_batch,
    pack_each,
)

Writer = Callable[[], AbstractContextManager[sa.Connection]]
Rows = Sequence[Mapping[str, object]]

EACH_ROWS = 120
"""Rows of a vessel that are folded together: ten minutes if there is a commit each 5 s, and up to a quarter more, so
that vessels take turns. More would make whoever takes a vessel over look through more."""
EACH_READINGS = 50_000
"""Or this many readings."""
AT_ONCE = 8
"""Vessels folded after one commit; the rest comes after the next ones."""


class Folding:
    """The two ways as one. Not safe for several threads by itself: the store holds its lock.

    Parameters
    ----------
    by_vessel
        Whether each vessel has rows of its own.
    """

    def __init__(self, *, by_vessel: bool) -> None:
        self._by_vessel = by_vessel
        self._due = False
        self._rows: dict[int, int] | None = None
        self._readings: dict[int, int] = {}

    def pack(self, columns: dict[Channel, Column], ids: Mapping[str, int]) -> Rows:
        """Return the rows of one commit; needs no connection, so that nobody waits for a lock meanwhile."""
        return pack_each(columns, ids) if self._by_vessel else [pack_batch(columns, ids)]

    def written(self, connection: sa.Connection, rows: Rows) -> None:
        """Take note of a commit, inside its transaction."""
        if not self._by_vessel:
            self._due = fold_is_due(connection)
            return
        if self._rows is None:
            self._rows = loose_rows(connection)
            return
        for row in rows:
            vessel_id, count = row["vessel_id"], row["count"]
            assert isinstance(vessel_id, int)
            assert isinstance(count, int)
            self._rows[vessel_id] = self._rows.get(vessel_id, 0) + 1
            self._readings[vessel_id] = self._readings.get(vessel_id, 0) + count

    def fold(self, writer: Writer) -> None:
        """Fold what is due, if anything is.

        Raises
        ------
        StoreError
            If the database refuses; the readings are safe where they are.
        """
        if not self._by_vessel:
            if self._due:
                self._due = False
                with writer() as connection:
                    fold(connection)
            return
        rows = self._rows or {}
        due = [key for key, count in rows.items() if count >= EACH_ROWS + key * 37 % (EACH_ROWS // 4)]
        due += [key for key, count in self._readings.items() if count >= EACH_READINGS and key not in due]
        for vessel_id in due[:AT_ONCE]:
            with writer() as connection:
                fold_vessel(connection, vessel_id)
            rows[vessel_id] = self._readings[vessel_id] = 0
