"""Tables of standards sets, card inspections and verifications; time of the last sign-in."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"

_ID: Final = sa.String(128)
_DEEDS: Final = {"standards_sets": ("DELETE",), "card_inspections": ("UPDATE", "DELETE"),
                 "verifications": ("UPDATE", "DELETE")}


def upgrade() -> None:
    """Nothing deletes from these tables; inspections and verifications do not change."""
    _table("standards_sets", _to("batch", "batches"))
    _table("card_inspections", sa.Column("run", sa.Integer, nullable=False, index=True), _text("at"),
           _to("account", "accounts"), _to("photograph", "photographs"), _to("card", "cards", null=True),
           _text("verdict"))
    _table("verifications", _text("at"), _to("account", "accounts"))
    op.add_column("sign_ins", sa.Column("last", sa.Text, nullable=True))
    postgresql = op.get_bind().dialect.name == "postgresql"
    for table, deeds in _DEEDS.items():
        action = "FOR EACH ROW EXECUTE FUNCTION refuse_change()" if postgresql else \
            f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
        for deed in deeds:
            op.execute(f"CREATE TRIGGER {table}_{deed.lower()} BEFORE {deed} ON {table} {action}")
        if postgresql:
            op.execute(f"CREATE TRIGGER {table}_truncate BEFORE TRUNCATE ON {table} EXECUTE FUNCTION refuse_change()")


def _table(name: str, *columns: sa.Column[str] | sa.Column[int]) -> None:
    op.create_table(name, sa.Column("id", _ID, primary_key=True),
                    sa.Column("sha256", sa.String(64), sa.ForeignKey("bodies.sha256"), nullable=False), *columns)


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False)


def _to(name: str, table: str, *, null: bool = False) -> sa.Column[str]:
    return sa.Column(name, _ID, sa.ForeignKey(f"{table}.id"), index=True, nullable=null)
