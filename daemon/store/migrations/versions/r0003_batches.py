"""Batches, their stages, and what there is to do next."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_big_id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the tables of batches."""
    op.create_table(
        "batch",
        sa.Column("id", _big_id, sa.Identity(), primary_key=True),
        sa.Column("vessel", sa.String(200), nullable=False),
        sa.Column("name", sa.String(100), nullable=False),
        sa.Column("began_ms", sa.BigInteger(), nullable=False),
        sa.Column("ended_ms", sa.BigInteger()),
        sa.Column("made_ms", sa.BigInteger(), nullable=False),
        sa.Column("origin", sa.String(200), nullable=False),
        sa.Column("wishes", sa.Text(), nullable=False),
        sa.Column("summary", sa.Text(), nullable=False),
        comment="One row a batch; the one without an end is the current one.",
    )
    op.create_index("ix_batch_vessel", "batch", ["vessel", "began_ms"])
    op.create_table(
        "batch_stage",
        sa.Column("vessel", sa.String(200), primary_key=True),
        sa.Column("batch_id", _big_id, primary_key=True, autoincrement=False),
        sa.Column("place", sa.SmallInteger(), primary_key=True, autoincrement=False),
        sa.Column("stage", sa.String(30), nullable=False),
        sa.Column("since_ms", sa.BigInteger(), nullable=False),
        sa.Column("why", sa.String(500), nullable=False),
        sa.Column("by_brewer", sa.SmallInteger(), nullable=False),
        sa.Column("undone_ms", sa.BigInteger()),
        comment="The history of stages as the detectors have derived it; batch 0 is a vessel without one.",
    )
    op.create_table(
        "vessel_next",
        sa.Column("vessel", sa.String(200), primary_key=True),
        sa.Column("text", sa.String(500), nullable=False),
        sa.Column("due_ms", sa.BigInteger()),
        sa.Column("remind_ms", sa.BigInteger()),
        sa.Column("quiet_until_ms", sa.BigInteger()),
        comment="What there is to do next for a vessel.",
    )
