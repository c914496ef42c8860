"""The tables of alarms, their log, what there is to tell, and to whom it has been told.

Rows are few (a few hundred a month) and are committed at once, so names stand in them in plain words.
"""

from sqlalchemy import (
    BigInteger,
    Column,
    Double,
    ForeignKey,
    Identity,
    Index,
    Integer,
    String,
    Table,
    UniqueConstraint,
)

from ullage.daemon.store.schema import BigId, metadata

alarm = Table(
    "alarm",
    metadata,
    Column("vessel", String(200), primary_key=True),
    Column("condition", String(40), primary_key=True),
    Column("subject", String(200), primary_key=True),
    Column("state", String(20), nullable=False, index=True),
    Column("priority", String(10), nullable=False),
    Column("text", String(2000), nullable=False),
    Column("value", Double),
    Column("limit_value", Double),
    Column("unit", String(20), nullable=False),
    Column("raised_ms", BigInteger, nullable=False),
    Column("changed_ms", BigInteger, nullable=False),
    Column("told_ms", BigInteger, nullable=False),
    Column("tellings", Integer, nullable=False),
    Column("acknowledged_ms", BigInteger),
    Column("acknowledged_by", String(100), nullable=False),
    Column("token", String(12), nullable=False),
    comment="Where each alarm stands now.",
)

alarm_shelf = Table(
    "alarm_shelf",
    metadata,
    Column("vessel", String(200), primary_key=True),
    Column("condition", String(40), primary_key=True),
    Column("until_ms", BigInteger, nullable=False),
    Column("made_ms", BigInteger, nullable=False),
    Column("actor", String(100), nullable=False),
    comment="Conditions that nobody wants to hear of for a while.",
)

alarm_transition = Table(
    "alarm_transition",
    metadata,
    Column("id", BigId, Identity(), primary_key=True),
    Column("vessel", String(200), nullable=False),
    Column("condition", String(40), nullable=False),
    Column("subject", String(200), nullable=False),
    Column("before", String(20), nullable=False),
    Column("after", String(20), nullable=False),
    Column("cause", String(20), nullable=False),
    Column("actor", String(100), nullable=False),
    Column("time_ms", BigInteger, nullable=False),
    Column("made_ms", BigInteger, nullable=False),
    comment="Every change of every alarm.",
)

alarm_event = Table(
    "alarm_event",
    metadata,
    Column("id", BigId, Identity(), primary_key=True),
    Column("token", String(12), nullable=False),
    Column("vessel", String(200), nullable=False),
    Column("condition", String(40), nullable=False),
    Column("subject", String(200), nullable=False),
    Column("kind", String(10), nullable=False),
    Column("time_ms", BigInteger, nullable=False),
    Column("made_ms", BigInteger, nullable=False),
    Column("priority", String(10), nullable=False),
    Column("text", String(2000), nullable=False),
    Column("value", Double),
    Column("limit_value", Double),
    Column("unit", String(20), nullable=False),
    Column("rate_g_per_l_day", Double),
    Column("evidence", String(2000), nullable=False),
    UniqueConstraint("vessel", "condition", "subject", "kind", "time_ms", name="alarm_event_once"),
    comment="What happened and is worth telling, once each.",
)

outbox = Table(
    "outbox",
    metadata,
    Column("id", BigId, Identity(), primary_key=True),
    Column("event_id", BigId, ForeignKey("alarm_event.id"), nullable=False),
    Column("target", String(100), nullable=False),
    Column("state", String(10), nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("reason", String(30), nullable=False),
    Column("made_ms", BigInteger, nullable=False),
    Column("next_try_ms", BigInteger),
    Column("done_ms", BigInteger),
    Column("hold_until_ms", BigInteger),
    Column("flood_first", String(300), nullable=False),
    UniqueConstraint("event_id", "target", name="outbox_once"),
    Index("outbox_waiting", "state", "target"),
    comment="One row per event and target; it leaves this state when the target has taken the message.",
)
