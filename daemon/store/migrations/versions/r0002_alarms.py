"""Alarms, their log, events and the outbox."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_big_id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the tables of alarms and messages."""
    _make_alarms()
    _make_log()
    _make_messages()


def _make_alarms() -> None:
    op.create_table(
        "alarm",
        *_alarm_key(primary_key=True),
        sa.Column("state", sa.String(20), nullable=False),
        sa.Column("priority", sa.String(10), nullable=False),
        sa.Column("text", sa.String(2000), nullable=False),
        *_numbers(),
        sa.Column("raised_ms", sa.BigInteger(), nullable=False),
        sa.Column("changed_ms", sa.BigInteger(), nullable=False),
        sa.Column("told_ms", sa.BigInteger(), nullable=False),
        sa.Column("tellings", sa.Integer(), nullable=False),
        sa.Column("acknowledged_ms", sa.BigInteger()),
        sa.Column("acknowledged_by", sa.String(100), nullable=False),
        sa.Column("token", sa.String(12), nullable=False),
        comment="Where each alarm stands now.",
    )
    op.create_index("ix_alarm_state", "alarm", ["state"])
    op.create_table(
        "alarm_shelf",
        sa.Column("vessel", sa.String(200), primary_key=True),
        sa.Column("condition", sa.String(40), primary_key=True),
        sa.Column("until_ms", sa.BigInteger(), nullable=False),
        sa.Column("made_ms", sa.BigInteger(), nullable=False),
        sa.Column("actor", sa.String(100), nullable=False),
        comment="Conditions that nobody wants to hear of for a while.",
    )


def _make_log() -> None:
    op.create_table(
        "alarm_transition",
        sa.Column("id", _big_id, sa.Identity(), primary_key=True),
        *_alarm_key(primary_key=False),
        sa.Column("before", sa.String(20), nullable=False),
        sa.Column("after", sa.String(20), nullable=False),
        sa.Column("cause", sa.String(20), nullable=False),
        sa.Column("actor", sa.String(100), nullable=False),
        sa.Column("time_ms", sa.BigInteger(), nullable=False),
        sa.Column("made_ms", sa.BigInteger(), nullable=False),
        comment="Every change of every alarm.",
    )


def _make_messages() -> None:
    op.create_table(
        "alarm_event",
        sa.Column("id", _big_id, sa.Identity(), primary_key=True),
        sa.Column("token", sa.String(12), nullable=False),
        *_alarm_key(primary_key=False),
        sa.Column("kind", sa.String(10), nullable=False),
        sa.Column("time_ms", sa.BigInteger(), nullable=False),
        sa.Column("made_ms", sa.BigInteger(), nullable=False),
        sa.Column("priority", sa.String(10), nullable=False),
        sa.Column("text", sa.String(2000), nullable=False),
        *_numbers(),
        sa.Column("rate_g_per_l_day", sa.Double()),
        sa.Column("evidence", sa.String(2000), nullable=False),
        sa.UniqueConstraint("vessel", "condition", "subject", "kind", "time_ms", name="alarm_event_once"),
        comment="What happened and is worth telling, once each.",
    )
    op.create_table(
        "outbox",
        sa.Column("id", _big_id, sa.Identity(), primary_key=True),
        sa.Column("event_id", _big_id, sa.ForeignKey("alarm_event.id"), nullable=False),
        sa.Column("target", sa.String(100), nullable=False),
        sa.Column("state", sa.String(10), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("reason", sa.String(30), nullable=False),
        sa.Column("made_ms", sa.BigInteger(), nullable=False),
        sa.Column("next_try_ms", sa.BigInteger()),
        sa.Column("done_ms", sa.BigInteger()),
        sa.Column("hold_until_ms", sa.BigInteger()),
        sa.Column("flood_first", sa.String(300), nullable=False),
        sa.UniqueConstraint("event_id", "target", name="outbox_once"),
        comment="One row per event and target; it leaves this state when the target has taken the message.",
    )
    op.create_index("outbox_waiting", "outbox", ["state", "target"])


def _alarm_key(*, primary_key: bool) -> tuple[sa.Column[str], ...]:
    return (
        sa.Column("vessel", sa.String(200), primary_key=primary_key, nullable=False),
        sa.Column("condition", sa.String(40), primary_key=primary_key, nullable=False),
        sa.Column("subject", sa.String(200), primary_key=primary_key, nullable=False),
    )


def _numbers() -> tuple[sa.Column[float] | sa.Column[str], ...]:
    return (
        sa.Column("value", sa.Double()),
        sa.Column("limit_value", sa.Double()),
        sa.Column("unit", sa.String(20), nullable=False),
    )
