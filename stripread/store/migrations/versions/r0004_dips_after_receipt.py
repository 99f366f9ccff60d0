"""A dip that a phone's clock puts after the receipt of its photograph is not the moment of the sample."""

from __future__ import annotations

from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """List such readings by exposure or receipt."""
    op.execute("UPDATE listed SET sampled = (SELECT coalesce(p.exposed, p.received) FROM photographs p "
               "WHERE p.id = listed.photograph) WHERE photograph IN "
               "(SELECT id FROM photographs WHERE dipped > received)")
