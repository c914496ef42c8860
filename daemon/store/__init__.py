"""The time-series table, the alarms and the outbox, in any database that SQLAlchemy reaches."""
