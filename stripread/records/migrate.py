"""Brings a database to the schema of this program, whichever earlier one it has."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from sqlalchemy import Connection, Engine, inspect, text

from stripread.records.engine import shown, writer
from stripread.records.errors import RecordsError

#: The revision this program works with: the newest in migrations/versions.
REVISION: Final = "0002"


def revision_of(connection: Connection) -> str | None:
    """The database's revision; None: it is new."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    found = connection.scalar(text("SELECT version_num FROM alembic_version"))
    return found if found is None else str(found)


def bring_up_to_date(engine: Engine) -> None:
    """Make or upgrade the tables, in one transaction. Raises RecordsError for a later program's database."""
    with engine.begin() as connection:
        if revision_of(connection) == REVISION:
            return
    with writer(engine).begin() as connection:
        found = revision_of(connection)
        if found != REVISION:
            _refuse_later(found, shown(engine))
            upgrade(connection, REVISION)


def upgrade(connection: Connection, revision: str) -> None:
    """Run the migrations up to a revision, in the connection's transaction."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, revision)


def _refuse_later(found: str | None, where: str) -> None:
    if found is not None and found > REVISION:
        raise RecordsError("the database was made by a later version of this program", where=where,
                           found=f"schema {found}", allowed=f"up to {REVISION}", remedy="install that version")
