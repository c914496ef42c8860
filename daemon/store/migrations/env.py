"""Run the revisions on the connection, and inside the transaction, that the caller holds."""

from alembic import context

from ullage.daemon.store.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    transactional_ddl=True,
)
context.run_migrations()
