"""Verdicts have the terms of the glossary in the columns that lists are filtered by.

Records themselves do not change: `stripread.store.models.record` decodes those of earlier versions.
"""

from __future__ import annotations

from typing import Final

from alembic import op

revision = "0015"
down_revision = "0014"

_VERDICTS: Final = {"in": "within-limits", "undecided": "inconclusive", "out": "out-of-limits"}
_IMMUTABLE: Final = ("assessments", "sample_assessments")


def upgrade() -> None:
    """Convert the verdicts; triggers that forbid changes are away meanwhile."""
    postgresql = op.get_bind().dialect.name == "postgresql"
    for table in _IMMUTABLE:
        op.execute(f"DROP TRIGGER {table}_update" + (f" ON {table}" if postgresql else ""))
    for table in (*_IMMUTABLE, "reading_index"):
        for earlier, current in _VERDICTS.items():
            op.execute(f"UPDATE {table} SET verdict = '{current}' WHERE verdict = '{earlier}'")  # noqa: S608 - own words
    for table in _IMMUTABLE:
        action = "FOR EACH ROW EXECUTE FUNCTION refuse_change()" if postgresql else \
            f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
        op.execute(f"CREATE TRIGGER {table}_update BEFORE UPDATE ON {table} {action}")
