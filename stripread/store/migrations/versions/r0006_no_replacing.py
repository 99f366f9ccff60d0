"""Bodies and entries of the log are not replaced by inserts.

SQLite's INSERT OR REPLACE removes the row in the way without its delete trigger, on connections that do not ask for
recursive triggers. So an insert in the place of a row is refused ahead of it.
"""

from __future__ import annotations

from typing import Final

from alembic import op

revision = "0006"
down_revision = "0005"

#: The columns by which a row of each table may be in the way; of what SQLite itself numbers, the number too.
_UNIQUE: Final = {"bodies": ("sha256", "rowid"), "log": ("seq",)}


def upgrade() -> None:
    """Refuse an insert in the place of a row."""
    if op.get_bind().dialect.name != "sqlite":
        return
    for table, columns in _UNIQUE.items():
        same = " OR ".join(f"{column} = NEW.{column}" for column in columns)
        there = f"SELECT 1 FROM {table} WHERE {same}"  # noqa: S608 - names of this file
        op.execute(f"CREATE TRIGGER {table}_insert BEFORE INSERT ON {table} WHEN EXISTS ({there}) "
                   f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END")
