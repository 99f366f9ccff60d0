"""The first schema."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

_ID: Final = sa.String(128)
#: Tables that no statement may change, and those from which none may delete.
_KEPT: Final = ("bodies", "log", "charts", "releases", "print_runs", "qualifications", "readings", "assessments",
                "reviews", "corrections", "reports")
_CHANGEABLE: Final = ("accounts", "site_groups", "sites", "machines", "units", "points", "services", "batches", "tubes",
                      "cards", "phones", "photographs", "check_results", "lab_results")


def upgrade() -> None:
    """Tables of bodies and log, of each kind, of names; and triggers that keep them."""
    op.create_table("bodies", sa.Column("sha256", sa.String(64), primary_key=True),
                    sa.Column("body", sa.LargeBinary, nullable=False))
    op.create_table("log", sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False), _text("entry"),
                    sa.Column("hash", sa.String(64), nullable=False),
                    sa.Column("kind", sa.String(32), nullable=False),
                    sa.Column("record", _ID, nullable=False, index=True))
    _people_and_places()
    _materials()
    _evidence()
    _lists()
    _keep()


def _people_and_places() -> None:
    _kind("accounts")
    op.create_table("names", sa.Column("account", _ID, sa.ForeignKey("accounts.id"), primary_key=True),
                    _text("name"), sa.Column("salt", sa.String(64), nullable=False))
    _kind("site_groups", _text("name"))
    _kind("sites", _text("name"), _to("group", "site_groups", null=True), _text("closed", null=True))
    _kind("machines", _to("site", "sites"), _text("removed", null=True))
    _kind("units", _to("site", "sites"), _to("machine", "machines", null=True))
    _kind("points", _to("site", "sites"), _text("place"), _text("name"), _to("machine", "machines", null=True),
          _to("unit", "units", null=True), _text("closed", null=True))
    _kind("services", _to("unit", "units"), _text("at"), _text("job"), _to("account", "accounts"),
          _text("struck", null=True))


def _materials() -> None:
    _kind("batches", _text("strip"), _text("expires", null=True))
    _kind("tubes", _to("batch", "batches"), _text("opened", null=True), _text("finished", null=True))
    _kind("charts", _to("batch", "batches"), _text("at"))
    _kind("releases", _to("chart", "charts"), _text("state"), _text("at"), _to("account", "accounts"))
    _kind("print_runs", _number("run"), _text("at"))
    _kind("cards", _number("run"), _text("first_used", null=True), _text("retired", null=True))
    _kind("phones", _text("model"), _to("account", "accounts", null=True), _text("retired", null=True))
    _kind("qualifications", _to("phone", "phones"), _text("outcome"), _text("at"), _to("account", "accounts"),
          _text("until", null=True))


def _evidence() -> None:
    _kind("photographs", _text("name"), _text("received", index=True), _to("account", "accounts"),
          *(_text(name, null=True) for name in ("taken", "exposed", "dipped")),
          *(_to(name, table, null=True) for name, table in (
              ("tube", "tubes"), ("point", "points"), ("batch", "batches"), ("card", "cards"), ("phone", "phones"))),
          _text("removed", null=True))
    _kind("readings", _to("photograph", "photographs"), _text("at", index=True), _to("account", "accounts"),
          _to("chart", "charts"), _text("software"), _text("status", index=True), _text("flags"), _text("brief"),
          sa.Column("supersedes", _ID, sa.ForeignKey("readings.id"), unique=True))
    _kind("assessments", _to("reading", "readings"), _text("at"), _to("account", "accounts"),
          _to("machine", "machines", null=True), _text("verdict", index=True))
    _kind("reviews", _to("reading", "readings"), _text("decision"), _text("at"), _to("account", "accounts"))
    _kind("corrections", _to("reading", "readings"), _text("analyte"), _text("at"), _to("account", "accounts"))
    _kind("reports", _to("reading", "readings"), _text("at"), _to("account", "accounts"),
          sa.Column("amends", _ID, sa.ForeignKey("reports.id"), unique=True))
    _kind("check_results", _text("standard"), _text("analyte"), _text("at"), _to("account", "accounts"),
          _to("reading", "readings", null=True), _to("chart", "charts", null=True), _text("struck", null=True))
    _kind("lab_results", _to("point", "points"), _text("taken"), _text("analyte"), _text("struck", null=True))


def _lists() -> None:
    op.create_table("listed", sa.Column("reading", _ID, sa.ForeignKey("readings.id"), primary_key=True),
                    *(_text(name) for name in ("sampled", "at", "status", "flags", "photograph", "batch")),
                    *(_text(name, null=True) for name in (
                        "point", "site", "group", "verdict", "superseded_by", "word", "other_word", "correction")))
    op.create_index("ix_listed_sampled", "listed", ["sampled", "at", "reading"])
    op.create_index("ix_listed_point", "listed", ["point", "sampled"])


def _kind(name: str, *columns: sa.Column[str] | sa.Column[int]) -> None:
    op.create_table(name, sa.Column("id", _ID, primary_key=True),
                    sa.Column("sha256", sa.String(64), sa.ForeignKey("bodies.sha256"), nullable=False), *columns)


def _text(name: str, *, index: bool = False, null: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.Text, index=index, nullable=null)


def _number(name: str) -> sa.Column[int]:
    return sa.Column(name, sa.Integer, nullable=False, index=True)


def _to(name: str, table: str, *, null: bool = False) -> sa.Column[str]:
    return sa.Column(name, _ID, sa.ForeignKey(f"{table}.id"), index=True, nullable=null)


def _keep() -> None:
    postgresql = op.get_bind().dialect.name == "postgresql"
    if postgresql:
        op.execute("CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
                   "$$ BEGIN RAISE EXCEPTION '% is append-only', TG_TABLE_NAME; END $$")
    for table in (*_KEPT, *_CHANGEABLE):
        for deed in ("UPDATE", "DELETE") if table in _KEPT else ("DELETE",):
            op.execute(_guard_postgresql(table, deed) if postgresql else _guard_sqlite(table, deed))
        if postgresql:
            op.execute(f"CREATE TRIGGER {table}_truncate BEFORE TRUNCATE ON {table} EXECUTE FUNCTION refuse_change()")


def _guard_postgresql(table: str, deed: str) -> str:
    return (f"CREATE TRIGGER {table}_{deed.lower()} BEFORE {deed} ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION refuse_change()")


def _guard_sqlite(table: str, deed: str) -> str:
    return (f"CREATE TRIGGER {table}_{deed.lower()} BEFORE {deed} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END")
