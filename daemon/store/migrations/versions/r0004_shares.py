"""Readings in partitions by time and vessels shared by several daemons, both on a server alone."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_big_id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the tables of shares, and the block table anew where it can have partitions."""
    op.add_column("reading_batch", sa.Column("vessel_id", _big_id))
    op.add_column("reading_batch", sa.Column("first_ms", sa.BigInteger()))
    if op.get_bind().dialect.name == "postgresql":
        op.create_index("ix_reading_batch_vessel", "reading_batch", ["vessel_id", "id"])
        _partition_blocks(op.get_bind())
    _make_shares()


def _partition_blocks(connection: sa.Connection) -> None:
    from ullage.daemon.store import hypertable, partitions

    chunks = hypertable.version(connection) is not None
    op.rename_table("reading_block", "reading_block_before")
    op.execute("ALTER INDEX reading_block_pkey RENAME TO reading_block_before_pkey")
    op.create_table(
        "reading_block",
        sa.Column("vessel_id", _big_id, sa.ForeignKey("vessel.id"), primary_key=True, autoincrement=False),
        sa.Column("quantity", sa.SmallInteger(), primary_key=True, autoincrement=False),
        sa.Column("start_ms", sa.BigInteger(), primary_key=True, autoincrement=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        postgresql_partition_by=None if chunks else "RANGE (start_ms)",
        comment="All readings of one channel in one window of time, packed.",
    )
    if chunks:
        hypertable.convert(connection)
    else:
        starts_ms = connection.scalars(sa.text("SELECT DISTINCT start_ms FROM reading_block_before"))
        partitions.ensure(connection, list(starts_ms))
    op.execute(
        "INSERT INTO reading_block (vessel_id, quantity, start_ms, count, payload) "
        "SELECT vessel_id, quantity, start_ms, count, payload FROM reading_block_before"
    )
    op.drop_table("reading_block_before")


def _make_shares() -> None:
    op.create_table(
        "share_member",
        sa.Column("token", sa.String(32), primary_key=True),
        sa.Column("name", sa.String(100), nullable=False, unique=True),
        sa.Column("machine", sa.String(200), nullable=False),
        sa.Column("alone", sa.SmallInteger(), nullable=False),
        sa.Column("knows", sa.String(32), nullable=False),
        sa.Column("joined_ms", sa.BigInteger(), nullable=False),
        sa.Column("expires_ms", sa.BigInteger(), nullable=False),
        comment="The daemons that live, each until its row expires unrenewed; the token is another at every start.",
    )
    op.create_table(
        "share_part",
        sa.Column("number", sa.Integer(), primary_key=True, autoincrement=False),
        sa.Column("holder", sa.String(32), sa.ForeignKey("share_member.token", ondelete="SET NULL")),
        sa.Column("fence", sa.BigInteger(), nullable=False),
        sa.Column("taken_ms", sa.BigInteger()),
        comment="Vessels that change hands together; the fence counts the hands. Part 0 is the installation itself.",
    )
    op.create_table(
        "share_vessel",
        sa.Column("vessel", sa.String(200), primary_key=True),
        sa.Column("part", sa.Integer(), sa.ForeignKey("share_part.number"), nullable=False),
        comment="Which part each vessel is in, for good; the vessel without a name is the installation itself.",
    )
    op.create_index("ix_share_vessel_part", "share_vessel", ["part"])
