"""How Alembic runs here: on the connection that the store hands over, inside its transaction."""

from __future__ import annotations

from alembic import context

from endfeel.storage.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    transactional_ddl=True,
    transaction_per_migration=False,
)
with context.begin_transaction():
    context.run_migrations()
