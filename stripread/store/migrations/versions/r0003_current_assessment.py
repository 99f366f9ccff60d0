"""The list names each reading's current assessment, and one current reading for each photograph."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add the column and fill it; list what `listed.rows` has defined since."""
    op.add_column("listed", sa.Column("assessment", sa.Text, nullable=True))
    op.execute("UPDATE listed SET assessment = (SELECT a.id FROM assessments AS a WHERE a.reading = listed.reading "
               "ORDER BY a.at DESC, a.id DESC LIMIT 1)")
    op.execute("UPDATE listed SET superseded_by = (SELECT r.id FROM readings AS r "
               "WHERE r.photograph = listed.photograph "
               "AND NOT EXISTS (SELECT 1 FROM readings AS later WHERE later.supersedes = r.id) "
               "ORDER BY r.at DESC, r.id DESC LIMIT 1) WHERE superseded_by IS NULL")
    op.execute("UPDATE listed SET superseded_by = NULL WHERE superseded_by = reading")
