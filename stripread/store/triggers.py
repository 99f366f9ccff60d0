"""Triggers that reject changes to stored records: those that the migrations create, and those that are present."""

from __future__ import annotations

from typing import Final

from sqlalchemy import Connection, text

from stripread.store.schema import AUDIT_TRAIL, BODIES, BY_NAME

_SQLITE: Final = "SELECT name FROM sqlite_master WHERE type IN ('trigger', 'view')"
#: Views are included: an attacker may replace a table by a view.
_POSTGRESQL: Final = """
    SELECT tgname FROM pg_trigger JOIN pg_class ON pg_class.oid = tgrelid
    WHERE NOT tgisinternal AND tgenabled IN ('O', 'A') AND relnamespace = current_schema()::regnamespace
    UNION ALL SELECT viewname FROM pg_views WHERE schemaname = current_schema()"""


def expected_triggers(connection: Connection) -> set[str]:
    """Return the names of the triggers that the migrations create."""
    immutable = {BODIES.name, AUDIT_TRAIL.name, *(kind.name for kind in BY_NAME.values() if kind.immutable)}
    postgresql = connection.dialect.name == "postgresql"
    truncate = ("truncate",) if postgresql else ()
    replacing = set() if postgresql else {f"{table.name}_insert" for table in (BODIES, AUDIT_TRAIL)}
    return replacing | {f"{table}_{deed}" for table in {*immutable, *BY_NAME}
            for deed in ("delete", *truncate, *(("update",) if table in immutable else ()))}


def present_triggers(connection: Connection) -> set[str]:
    """Return the names of the triggers and views that exist and are enabled."""
    query = _POSTGRESQL if connection.dialect.name == "postgresql" else _SQLITE
    return set(connection.scalars(text(query)))
