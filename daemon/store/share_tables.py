"""The tables by which several daemons share the vessels: who lives, how vessels are parcelled, and who holds what.

A daemon is a member as long as it renews its row. A part is a set of vessels that change hands together, and it is
held by the member whose token stands in it; when a member's row goes, its parts are nobody's. All of it is by the
database's clock. The tables stay empty where one daemon has the database to itself.
"""

from sqlalchemy import BigInteger, Column, ForeignKey, Integer, SmallInteger, String, Table

from ullage.daemon.store.schema import metadata

share_member = Table(
    "share_member",
    metadata,
    Column("token", String(32), primary_key=True),
    Column("name", String(100), nullable=False, unique=True),
    Column("machine", String(200), nullable=False),
    Column("alone", SmallInteger, nullable=False),
    Column("knows", String(32), nullable=False),
    Column("joined_ms", BigInteger, nullable=False),
    Column("expires_ms", BigInteger, nullable=False),
    comment="The daemons that live, each until its row expires unrenewed; the token is another at every start.",
)

share_part = Table(
    "share_part",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("holder", String(32), ForeignKey("share_member.token", ondelete="SET NULL")),
    Column("fence", BigInteger, nullable=False),
    Column("taken_ms", BigInteger),
    comment="Vessels that change hands together; the fence counts the hands. Part 0 is the installation itself.",
)

share_vessel = Table(
    "share_vessel",
    metadata,
    Column("vessel", String(200), primary_key=True),
    Column("part", Integer, ForeignKey("share_part.number"), nullable=False, index=True),
    comment="Which part each vessel is in, for good; the vessel without a name is the installation itself.",
)

SHARES = (share_vessel, share_part, share_member)
"""They tell of running daemons, so no copy of the database has them."""
