"""Tables of flags and of the review queue, which each upgrade fills from the readings.

A list of a rare flag read every reading with any flag, and the queue was computed from all readings for each view.
"""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"

_ORDER: Final = ("priority", "sampled", "reading")


def upgrade() -> None:
    """Create the tables; the index of flagged readings is no longer used."""
    op.drop_index("ix_reading_index_flagged", "reading_index")
    op.create_table(
        "reading_flags", _reading(), sa.Column("flag", sa.Text, primary_key=True),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("sampled", "at")))
    op.create_index("ix_reading_flags_flag", "reading_flags", ["flag", "sampled", "at", "reading"])
    op.create_table(
        "review_queue", _reading(),
        *(sa.Column(name, sa.Integer, nullable=False) for name in ("priority", "kinds", "lot")),
        *(sa.Column(name, sa.Text, nullable=name in ("site", "group"))
          for name in ("sampled", "site", "group", "from_history")))
    for name, columns in (("priority", (*_ORDER, "lot")), ("group", ("group", *_ORDER)), ("site", ("site", *_ORDER)),
                          ("sampled", ("sampled", "reading"))):
        op.create_index(f"ix_review_queue_{name}", "review_queue", list(columns))


def _reading() -> sa.Column[str]:
    return sa.Column("reading", sa.String(128), sa.ForeignKey("readings.id"), primary_key=True)
