"""Runs migrations on the connection handed in by ``server.storage.engine.upgrade``."""

from alembic import context

from server.storage.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,
    compare_type=True,
)
with context.begin_transaction():
    context.run_migrations()
