"""Long tasks in the database, so that every server of a store shows their progress."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"


def upgrade() -> None:
    """A table whose rows change, one for each name of a task."""
    op.create_table(
        "jobs",
        sa.Column("name", sa.String(160), primary_key=True),
        sa.Column("state", sa.Text, nullable=False),
        *(sa.Column(name, sa.Integer, nullable=False) for name in ("running", "stopped")),
        # Seconds since 1970, the time of the last report.
        sa.Column("changed", sa.BigInteger, nullable=False),
    )
