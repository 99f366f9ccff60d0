"""Tables, columns and status values have the names of the glossary.

Records themselves are bound by the audit trail and are not changed: `stripread.store.schema` decodes those of earlier
versions.
"""

from __future__ import annotations

from typing import Final

from alembic import op

revision = "0007"
down_revision = "0006"

_STATUS: Final = {"read": "measured", "refused": "no-result"}


def upgrade() -> None:
    """Rename, and convert the status values."""
    _without_triggers("readings", ("update",))
    for old, new in _STATUS.items():
        op.execute(f"UPDATE readings SET status = '{new}' WHERE status = '{old}'")  # noqa: S608 - words of this file
        op.execute(f"UPDATE listed SET status = '{new}' WHERE status = '{old}'")  # noqa: S608 - words of this file
    op.execute("""UPDATE readings SET brief = replace(brief, ',"read",', ',"measured",')""")
    _with_triggers("readings", ("update",))
    op.execute("ALTER TABLE readings RENAME COLUMN brief TO value_summary")
    _rename_index()
    _rename_audit_trail()


def _rename_index() -> None:
    for name in ("sampled", "point"):
        op.drop_index(f"ix_listed_{name}", "listed")
    op.rename_table("listed", "reading_index")
    op.execute("ALTER TABLE reading_index RENAME COLUMN word TO decision")
    op.execute("ALTER TABLE reading_index RENAME COLUMN other_word TO other_decision")
    op.create_index("ix_reading_index_sampled", "reading_index", ["sampled", "at", "reading"])
    op.create_index("ix_reading_index_point", "reading_index", ["point", "sampled"])


def _rename_audit_trail() -> None:
    deeds = ("update", "delete")
    _without_triggers("log", (*deeds, *_special()))
    op.drop_index("ix_log_record", "log")
    op.rename_table("log", "audit_trail")
    op.create_index("ix_audit_trail_record", "audit_trail", ["record"])
    _with_triggers("audit_trail", deeds)
    if _is_postgresql():
        op.execute(
            "CREATE TRIGGER audit_trail_truncate BEFORE TRUNCATE ON audit_trail EXECUTE FUNCTION refuse_change()"
        )
    else:
        op.execute("CREATE TRIGGER audit_trail_insert BEFORE INSERT ON audit_trail "
                   "WHEN EXISTS (SELECT 1 FROM audit_trail WHERE seq = NEW.seq) "
                   "BEGIN SELECT RAISE(ABORT, 'audit_trail is append-only'); END")


def _special() -> tuple[str, ...]:
    return ("truncate",) if _is_postgresql() else ("insert",)


def _is_postgresql() -> bool:
    return op.get_bind().dialect.name == "postgresql"


def _without_triggers(table: str, deeds: tuple[str, ...]) -> None:
    on = f" ON {table}" if _is_postgresql() else ""
    for deed in deeds:
        op.execute(f"DROP TRIGGER {table}_{deed}{on}")


def _with_triggers(table: str, deeds: tuple[str, ...]) -> None:
    action = "FOR EACH ROW EXECUTE FUNCTION refuse_change()" if _is_postgresql() else \
        f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
    for deed in deeds:
        op.execute(f"CREATE TRIGGER {table}_{deed} BEFORE {deed.upper()} ON {table} {action}")
