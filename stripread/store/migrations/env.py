"""Run by Alembic: migrations on the connection that `stripread.store.migrate` gave."""

from alembic import context

from stripread.store.migrate import REVISION_TABLE
from stripread.store.schema import METADATA

context.configure(connection=context.config.attributes["connection"], target_metadata=METADATA,
                  transactional_ddl=True, version_table=REVISION_TABLE)
with context.begin_transaction():
    context.run_migrations()
