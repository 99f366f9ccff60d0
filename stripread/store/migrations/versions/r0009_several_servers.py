"""What several servers of one store share: failed attempts, setup codes, photographs that wait for evaluation."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"

_HASH: Final = sa.String(64)


def upgrade() -> None:
    """Three tables whose rows may change and go."""
    op.create_table("attempts", sa.Column("key", _HASH, primary_key=True), _text("times"),
                    sa.Column("expires", sa.BigInteger, nullable=False))
    op.create_table("setup_codes", sa.Column("hash", _HASH, primary_key=True))
    op.create_table("evaluation_queue", sa.Column("photograph", _HASH, primary_key=True),
                    sa.Column("account", sa.String(128), nullable=False), sa.Column("replaces", sa.Text),
                    _text("leased_until"), sa.Column("attempts", sa.Integer, nullable=False))
    op.create_index("ix_evaluation_queue_leased_until", "evaluation_queue", ["leased_until"])


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False)
