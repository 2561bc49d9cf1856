"""Run by alembic: migrations go into the transaction that the store has opened."""

from alembic import context

from asfound.store.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    transaction_per_migration=False,
)
context.run_migrations()
