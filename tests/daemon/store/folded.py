"""Folding at once what a store would fold in an hour or two."""

from ullage.daemon.store import readings as tables
from ullage.daemon.store.store import Store


def fold_now(store: Store) -> None:
    """Move every reading that was committed into blocks."""
    with store.transaction() as connection:
        while tables.fold(connection):
            pass
        for vessel_id in tables.loose_rows(connection):
            tables.fold_vessel(connection, vessel_id)
