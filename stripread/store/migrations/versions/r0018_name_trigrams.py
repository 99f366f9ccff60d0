"""Index of trigrams for searches by any part of a photograph's name, where PostgreSQL has the extension `pg_trgm`.

Without it such a search reads the names of all photographs: 0.6 s for a million. An extension that this account may not
create, or that is not installed, is not an error: an administrator can add extension and index at any time (manual:
administrator). SQLite has no such index for a plain table.
"""

from __future__ import annotations

from typing import Final

from alembic import op
from sqlalchemy.exc import DBAPIError

revision = "0018"
down_revision = "0017"

#: insufficient_privilege, feature_not_supported, undefined_file and undefined_object: the extension cannot be used
#: (https://www.postgresql.org/docs/current/errcodes-appendix.html).
_UNAVAILABLE: Final = {"42501", "0A000", "58P01", "42704"}


def upgrade() -> None:
    """Create the extension and the index, or neither."""
    connection = op.get_bind()
    if connection.dialect.name != "postgresql":
        return
    try:
        with connection.begin_nested():
            op.execute("CREATE EXTENSION IF NOT EXISTS pg_trgm")
            op.create_index("ix_photographs_name_trigrams", "photographs", ["name"], postgresql_using="gin",
                            postgresql_ops={"name": "gin_trgm_ops"})
    except DBAPIError as error:
        if getattr(error.orig, "sqlstate", None) not in _UNAVAILABLE:
            raise
