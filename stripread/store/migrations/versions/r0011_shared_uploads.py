"""Unfinished uploads in the database, so that any server of a store can continue them."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"

_HASH: Final = sa.String(64)


def upgrade() -> None:
    """Two tables whose rows change and are deleted."""
    op.create_table("uploads", sa.Column("id", _HASH, primary_key=True),
                    sa.Column("account", sa.String(128), nullable=False), _number("size"),
                    sa.Column("photograph", _HASH, nullable=False), sa.Column("changed", sa.Text, nullable=False))
    op.create_index("ix_uploads_account", "uploads", ["account"])
    op.create_index("ix_uploads_changed", "uploads", ["changed"])
    op.create_table("upload_parts", sa.Column("upload", _HASH, sa.ForeignKey("uploads.id"), primary_key=True),
                    sa.Column("offset", sa.Integer, primary_key=True, autoincrement=False),
                    sa.Column("bytes", sa.LargeBinary, nullable=False))


def _number(name: str) -> sa.Column[int]:
    return sa.Column(name, sa.Integer, nullable=False)
