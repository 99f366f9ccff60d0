"""Indexes of the reading index for each filter, in the order of lists, and for the search for photographs.

Without them a list whose filter few readings match reads the whole table.
"""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"

_TABLE: Final = "reading_index"
_ORDER: Final = ["sampled", "at", "reading"]
#: Rows that few readings have; the other rows are not in the index.
_RARE: Final = {"no_result": "status = 'no-result'", "superseded": "superseded_by IS NOT NULL",
                "corrected": "correction IS NOT NULL", "flagged": "flags <> ' '",
                "disputed": "decision <> other_decision", "waiting": "decision IS NOT NULL AND other_decision IS NULL"}


def upgrade() -> None:
    """Add the indexes; that of points contains the whole order now."""
    op.drop_index("ix_reading_index_point", _TABLE)
    for column in ("point", "site", "group", "batch", "verdict", "decision"):
        op.create_index(f"ix_reading_index_{column}", _TABLE, [column, *_ORDER])
    for name, condition in _RARE.items():
        where = sa.text(condition)
        op.create_index(f"ix_reading_index_{name}", _TABLE, _ORDER, postgresql_where=where, sqlite_where=where)
    op.create_index("ix_reading_index_photograph", _TABLE, ["photograph"])
    for table, column in ((_TABLE, "reading"), ("photographs", "name")):
        op.create_index(f"ix_{table}_{column}", table, [column], postgresql_ops={column: "text_pattern_ops"})
