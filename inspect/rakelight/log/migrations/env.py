"""How Alembic reaches the log: over the connection, and inside the transaction, it is given."""

from alembic import context

from rakelight.log.tables import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,
    compare_type=True,
)
with context.begin_transaction():
    context.run_migrations()
