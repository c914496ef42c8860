"""Readings, journal and detector state."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_big_id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_payload = sa.LargeBinary(2**24 - 1)


def upgrade() -> None:
    """Make the first tables."""
    op.create_table(
        "vessel",
        sa.Column("id", _big_id, sa.Identity(), primary_key=True),
        sa.Column("name", sa.String(200), nullable=False, unique=True),
    )
    op.create_table(
        "reading_batch",
        sa.Column("id", _big_id, sa.Identity(), primary_key=True),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("payload", _payload, nullable=False),
        comment="One row per commit with all channels in it; folded into reading_block about once an hour.",
    )
    op.create_table(
        "reading_block",
        *_channel(),
        sa.Column("start_ms", sa.BigInteger(), primary_key=True, autoincrement=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("payload", _payload, nullable=False),
        sqlite_with_rowid=False,
        comment="All readings of one channel in one window of time, packed.",
    )
    op.create_table(
        "reading_coarse",
        *_channel(),
        sa.Column("start_s", sa.BigInteger(), primary_key=True, autoincrement=False),
        sa.Column("minimum", sa.Double(), nullable=False),
        sa.Column("mean", sa.Double(), nullable=False),
        sa.Column("maximum", sa.Double(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sqlite_with_rowid=False,
        comment="What stays of readings older than keep_days.",
    )
    op.create_table(
        "journal_entry",
        sa.Column("id", _big_id, sa.Identity(), primary_key=True),
        sa.Column("vessel_id", _big_id, sa.ForeignKey("vessel.id"), nullable=False, index=True),
        sa.Column("time_ms", sa.BigInteger(), nullable=False),
        sa.Column("text", sa.String(4000), nullable=False),
        sa.Column("made_ms", sa.BigInteger(), nullable=False),
        sa.Column("struck_ms", sa.BigInteger()),
        sa.Column("replaces", _big_id, sa.ForeignKey("journal_entry.id")),
    )
    op.create_table(
        "detector_snapshot",
        sa.Column("vessel_id", _big_id, sa.ForeignKey("vessel.id"), primary_key=True, autoincrement=False),
        sa.Column("saved_ms", sa.BigInteger(), nullable=False),
        sa.Column("fingerprint", sa.String(200), nullable=False),
        sa.Column("payload", _payload, nullable=False),
    )


def _channel() -> tuple[sa.Column[int], sa.Column[int]]:
    return (
        sa.Column("vessel_id", _big_id, sa.ForeignKey("vessel.id"), primary_key=True, autoincrement=False),
        sa.Column("quantity", sa.SmallInteger(), primary_key=True, autoincrement=False),
    )
