"""A table of a company's own limits and treatment units."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """One record, whose contents may change and which nothing deletes."""
    op.create_table("terms", sa.Column("id", sa.String(128), primary_key=True),
                    sa.Column("sha256", sa.String(64), sa.ForeignKey("bodies.sha256"), nullable=False))
    if op.get_bind().dialect.name == "postgresql":
        op.execute("CREATE TRIGGER terms_delete BEFORE DELETE ON terms FOR EACH ROW EXECUTE FUNCTION refuse_change()")
        op.execute("CREATE TRIGGER terms_truncate BEFORE TRUNCATE ON terms EXECUTE FUNCTION refuse_change()")
    else:
        op.execute("CREATE TRIGGER terms_delete BEFORE DELETE ON terms "
                   "BEGIN SELECT RAISE(ABORT, 'terms is append-only'); END")
