"""The tables that readings, journal and detector state live in; the alarms' tables share this `metadata`.

A new database is made from `metadata` in one go, an older one is brought up by the revisions in `migrations/`; a
test holds the two equal. Whoever adds a table adds a revision and raises `HEAD`.
"""

from sqlalchemy import (
    BigInteger,
    Column,
    Double,
    ForeignKey,
    Identity,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    String,
    Table,
)

HEAD = "0004"
"""The revision that this program works with."""

metadata = MetaData()

BigId = BigInteger().with_variant(Integer, "sqlite")
"""A whole-number key: 64 bits everywhere (on SQLite only a plain INTEGER is the row's own key)."""

Payload = LargeBinary(2**24 - 1)
"""Packed columns; the length only matters to databases that have several sizes of blob."""

revision = Table(
    "alembic_version",
    MetaData(),
    Column("version_num", String(32), primary_key=True),
)
"""Alembic's own table, read without importing Alembic."""

vessel = Table(
    "vessel",
    metadata,
    Column("id", BigId, Identity(), primary_key=True),
    Column("name", String(200), nullable=False, unique=True),
)

reading_batch = Table(
    "reading_batch",
    metadata,
    Column("id", BigId, Identity(), primary_key=True),
    Column("count", Integer, nullable=False),
    Column("payload", Payload, nullable=False),
    Column("vessel_id", BigId),
    Column("first_ms", BigInteger),
    comment="A commit's readings, of all channels or of one vessel; folded into reading_block about once an hour.",
)
Index("ix_reading_batch_vessel", reading_batch.c.vessel_id, reading_batch.c.id).ddl_if(dialect="postgresql")
"""A file has one row a commit and is read whole; on a server each vessel has its own rows, among many."""

reading_block = Table(
    "reading_block",
    metadata,
    Column("vessel_id", BigId, ForeignKey("vessel.id"), primary_key=True, autoincrement=False),
    Column("quantity", SmallInteger, primary_key=True, autoincrement=False),
    Column("start_ms", BigInteger, primary_key=True, autoincrement=False),
    Column("count", Integer, nullable=False),
    Column("payload", Payload, nullable=False),
    sqlite_with_rowid=False,
    postgresql_partition_by="RANGE (start_ms)",
    comment="All readings of one channel in one window of time, packed.",
)

reading_coarse = Table(
    "reading_coarse",
    metadata,
    Column("vessel_id", BigId, ForeignKey("vessel.id"), primary_key=True, autoincrement=False),
    Column("quantity", SmallInteger, primary_key=True, autoincrement=False),
    Column("start_s", BigInteger, primary_key=True, autoincrement=False),
    Column("minimum", Double, nullable=False),
    Column("mean", Double, nullable=False),
    Column("maximum", Double, nullable=False),
    Column("count", Integer, nullable=False),
    sqlite_with_rowid=False,
    comment="What stays of readings older than keep_days.",
)

journal_entry = Table(
    "journal_entry",
    metadata,
    Column("id", BigId, Identity(), primary_key=True),
    Column("vessel_id", BigId, ForeignKey("vessel.id"), nullable=False, index=True),
    Column("time_ms", BigInteger, nullable=False),
    Column("text", String(4000), nullable=False),
    Column("made_ms", BigInteger, nullable=False),
    Column("struck_ms", BigInteger),
    Column("replaces", BigId, ForeignKey("journal_entry.id")),
)

detector_snapshot = Table(
    "detector_snapshot",
    metadata,
    Column("vessel_id", BigId, ForeignKey("vessel.id"), primary_key=True, autoincrement=False),
    Column("saved_ms", BigInteger, nullable=False),
    Column("fingerprint", String(200), nullable=False),
    Column("payload", Payload, nullable=False),
)
