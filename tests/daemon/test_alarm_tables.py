"""The alarms' tables, made at once or by migrating an older database."""

import os
from pathlib import Path

import sqlalchemy as sa

from ullage.daemon.store import alarm_tables, batch_tables, schema
from ullage.daemon.store.engine import WRITE, make_engine, parse_url
from ullage.daemon.store.store import Store

ADDED = (
    "alarm",
    "alarm_shelf",
    "alarm_transition",
    "alarm_event",
    "outbox",
    "batch",
    "batch_stage",
    "vessel_next",
    "share_member",
    "share_part",
    "share_vessel",
)


def _shape(path: Path) -> dict[str, object]:
    engine = make_engine(parse_url(f"sqlite:///{path}"), read_only=False, busy_timeout_s=5)
    inspector = sa.inspect(engine)
    shape: dict[str, object] = {}
    for table in ADDED:
        columns = [(c["name"], str(c["type"]), c["nullable"]) for c in inspector.get_columns(table)]
        keys = inspector.get_pk_constraint(table)["constrained_columns"]
        indexes = sorted((str(i["name"]), tuple(i["column_names"])) for i in inspector.get_indexes(table))
        unique = sorted(tuple(u["column_names"]) for u in inspector.get_unique_constraints(table))
        shape[table] = (columns, keys, indexes, unique, inspector.get_foreign_keys(table))
    engine.dispose()
    return shape


def test_migrating_makes_the_same_tables_as_a_new_database(tmp_path: Path) -> None:
    """A database of revision 0001 gains exactly the tables that a new one has."""
    Store.open(f"sqlite:///{tmp_path / 'new.db'}").close()
    _make_first_revision(tmp_path / "old.db")
    Store.open(f"sqlite:///{tmp_path / 'old.db'}").close()
    assert _shape(tmp_path / "old.db") == _shape(tmp_path / "new.db")
    assert set(ADDED) <= set(schema.metadata.tables)
    assert {alarm_tables.outbox.name, batch_tables.batch.name} <= set(ADDED)


def _make_first_revision(path: Path) -> None:
    os.close(os.open(path, os.O_CREAT | os.O_WRONLY, 0o600))
    engine = make_engine(parse_url(f"sqlite:///{path}"), read_only=False, busy_timeout_s=5)
    first = [table for name, table in schema.metadata.tables.items() if name not in ADDED]
    with engine.connect().execution_options(**{WRITE: True}) as connection, connection.begin():
        schema.metadata.create_all(connection, tables=first)
        for column in ("vessel_id", "first_ms"):  # these came with revision 0004
            connection.execute(sa.text(f"ALTER TABLE reading_batch DROP COLUMN {column}"))
        schema.revision.create(connection)
        connection.execute(schema.revision.insert().values(version_num="0001"))
    engine.dispose()
