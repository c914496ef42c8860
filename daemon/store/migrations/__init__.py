"""Alembic's environment; run by `ullage.daemon.store.migrate`, never by hand."""
