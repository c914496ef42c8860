"""The tables of batches: what each was to be, which stages it went through, and what there is to do next.

Past batches stay, with their readings and their summary; rows are few, so vessels stand in them by name.
"""

from sqlalchemy import BigInteger, Column, Identity, Index, SmallInteger, String, Table, Text

from ullage.daemon.store.schema import BigId, metadata

batch = Table(
    "batch",
    metadata,
    Column("id", BigId, Identity(), primary_key=True),
    Column("vessel", String(200), nullable=False),
    Column("name", String(100), nullable=False),
    Column("began_ms", BigInteger, nullable=False),
    Column("ended_ms", BigInteger),
    Column("made_ms", BigInteger, nullable=False),
    Column("origin", String(200), nullable=False),
    Column("wishes", Text, nullable=False),
    Column("summary", Text, nullable=False),
    Index("ix_batch_vessel", "vessel", "began_ms"),
    comment="One row a batch; the one without an end is the current one.",
)

batch_stage = Table(
    "batch_stage",
    metadata,
    Column("vessel", String(200), primary_key=True),
    Column("batch_id", BigId, primary_key=True, autoincrement=False),
    Column("place", SmallInteger, primary_key=True, autoincrement=False),
    Column("stage", String(30), nullable=False),
    Column("since_ms", BigInteger, nullable=False),
    Column("why", String(500), nullable=False),
    Column("by_brewer", SmallInteger, nullable=False),
    Column("undone_ms", BigInteger),
    comment="The history of stages as the detectors have derived it; batch 0 is a vessel without one.",
)

vessel_next = Table(
    "vessel_next",
    metadata,
    Column("vessel", String(200), primary_key=True),
    Column("text", String(500), nullable=False),
    Column("due_ms", BigInteger),
    Column("remind_ms", BigInteger),
    Column("quiet_until_ms", BigInteger),
    comment="What there is to do next for a vessel.",
)
