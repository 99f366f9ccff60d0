"""Tables of work on machines and of qualifications of technicians."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"

_ID: Final = sa.String(128)
_DEEDS: Final = {"machine_work": ("DELETE",), "technician_qualifications": ("UPDATE", "DELETE")}


def upgrade() -> None:
    """Nothing deletes from these tables; qualifications do not change."""
    _table("machine_work", _to("machine", "machines"), _text("at"), _text("job"), _to("account", "accounts"),
           _text("struck", null=True))
    _table("technician_qualifications", _to("technician", "accounts"), _text("outcome"), _text("at"),
           _to("account", "accounts"), _text("until", null=True))
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


def _text(name: str, *, null: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=null)


def _to(name: str, table: str) -> sa.Column[str]:
    return sa.Column(name, _ID, sa.ForeignKey(f"{table}.id"), index=True, nullable=False)
