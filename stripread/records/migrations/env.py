"""Run by Alembic: migrations on the connection that `stripread.records.migrate` gave."""

from alembic import context

from stripread.records.schema import METADATA

context.configure(connection=context.config.attributes["connection"], target_metadata=METADATA,
                  transactional_ddl=True)
with context.begin_transaction():
    context.run_migrations()
