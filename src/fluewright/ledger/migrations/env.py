"""Run the steps on the connection that the caller has opened; the caller commits."""

from alembic import context

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=context.config.attributes.get("target_metadata"),
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
