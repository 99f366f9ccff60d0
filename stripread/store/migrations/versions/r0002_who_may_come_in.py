"""Sign-ins, sessions and tokens: who may come in, and is in."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

_HASH: Final = sa.String(64)


def upgrade() -> None:
    """Three tables whose rows may change and go."""
    op.create_table("sign_ins", sa.Column("account", sa.String(128), sa.ForeignKey("accounts.id"), primary_key=True),
                    sa.Column("name", sa.String(128), nullable=False, unique=True), _text("hash"), _text("changed"),
                    _text("preferences"))
    op.create_table("sessions", sa.Column("hash", _HASH, primary_key=True), _account(), _text("made"), _text("seen"),
                    _text("device"))
    op.create_table("tokens", sa.Column("hash", _HASH, primary_key=True), _account(), _text("name"), _text("scopes"),
                    _text("made"), _text("expires"))


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False)


def _account() -> sa.Column[str]:
    return sa.Column("account", sa.String(128), sa.ForeignKey("accounts.id"), index=True, nullable=False)
