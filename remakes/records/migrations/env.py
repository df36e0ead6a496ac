"""Run the revisions on the connection that the store hands over."""

from alembic import context

from remakes.records import schema

connection = context.config.attributes.get("connection")
if connection is None:
    raise RuntimeError("Migrations run through remakes.records.store.open_store, which hands over the connection.")

context.configure(connection=connection, target_metadata=schema.metadata, render_as_batch=True)
context.run_migrations()
