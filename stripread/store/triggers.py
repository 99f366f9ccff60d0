"""The guards of the database itself: triggers that refuse to change what is kept; all there, and no others."""

from __future__ import annotations

from typing import Final

from sqlalchemy import Connection, text

from stripread.store.schema import BODIES, BY_NAME, LOG

_SQLITE: Final = "SELECT name FROM sqlite_master WHERE type IN ('trigger', 'view')"
#: Views are counted too: one may stand where a table was.
_POSTGRESQL: Final = """
    SELECT tgname FROM pg_trigger JOIN pg_class ON pg_class.oid = tgrelid
    WHERE NOT tgisinternal AND tgenabled IN ('O', 'A') AND relnamespace = current_schema()::regnamespace
    UNION ALL SELECT viewname FROM pg_views WHERE schemaname = current_schema()"""


def expected_triggers(connection: Connection) -> set[str]:
    """Names of the triggers that the migrations made."""
    kept = {BODIES.name, LOG.name, *(kind.name for kind in BY_NAME.values() if kind.kept)}
    postgresql = connection.dialect.name == "postgresql"
    truncate = ("truncate",) if postgresql else ()
    replacing = set() if postgresql else {f"{table.name}_insert" for table in (BODIES, LOG)}
    return replacing | {f"{table}_{deed}" for table in {*kept, *BY_NAME}
            for deed in ("delete", *truncate, *(("update",) if table in kept else ()))}


def present_triggers(connection: Connection) -> set[str]:
    """Names of the triggers that are there and in force."""
    query = _POSTGRESQL if connection.dialect.name == "postgresql" else _SQLITE
    return set(connection.scalars(text(query)))
