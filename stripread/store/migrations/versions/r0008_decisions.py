"""Tables of decisions, of stock, and of assessments of laboratory and typed results."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"

_ID: Final = sa.String(128)
_DEEDS: Final = {"decisions": ("DELETE",), "stock": ("DELETE",), "sample_assessments": ("UPDATE", "DELETE")}


def upgrade() -> None:
    """Nothing deletes from these tables; assessments do not change."""
    _table("decisions", _to("site", "sites"), _text("state"), _text("at"))
    _table("stock", _text("at"), _to("account", "accounts"))
    _table("sample_assessments", _to("point", "points"), _text("taken"), _text("at"), _to("account", "accounts"),
           _to("machine", "machines", null=True), _text("verdict"))
    postgresql = op.get_bind().dialect.name == "postgresql"
    for table, deeds in _DEEDS.items():
        action = "FOR EACH ROW EXECUTE FUNCTION refuse_change()" if postgresql else \
            f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
        for deed in deeds:
            op.execute(f"CREATE TRIGGER {table}_{deed.lower()} BEFORE {deed} ON {table} {action}")
        if postgresql:
            op.execute(f"CREATE TRIGGER {table}_truncate BEFORE TRUNCATE ON {table} EXECUTE FUNCTION refuse_change()")


def _table(name: str, *columns: sa.Column[str]) -> None:
    op.create_table(name, sa.Column("id", _ID, primary_key=True),
                    sa.Column("sha256", sa.String(64), sa.ForeignKey("bodies.sha256"), nullable=False), *columns)


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False)


def _to(name: str, table: str, *, null: bool = False) -> sa.Column[str]:
    return sa.Column(name, _ID, sa.ForeignKey(f"{table}.id"), index=True, nullable=null)
