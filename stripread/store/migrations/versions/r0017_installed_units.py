"""Work on treatment units has the terms of the glossary in the column that names it: a unit is installed, not fitted.

Records themselves do not change: `stripread.store.models.record` decodes those of earlier versions.
"""

from __future__ import annotations

from alembic import op

revision = "0017"
down_revision = "0016"


def upgrade() -> None:
    """Convert the name of the work."""
    op.execute("UPDATE services SET job = 'installed' WHERE job = 'fitted'")
