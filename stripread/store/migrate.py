"""Brings a database to the schema of this program, whichever earlier one it has."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from sqlalchemy import Connection, Engine, inspect, text

from stripread.store.database import shown, writer
from stripread.store.errors import NoRecordsError, RecordsError

if TYPE_CHECKING:
    from alembic.config import Config

#: Where the database's revision stands: not where other programs with migrations have theirs.
REVISION_TABLE: Final = "records_schema"
#: The revision this program works with: the newest in migrations/versions.
REVISION: Final = "0006"


def revision_of(connection: Connection) -> str | None:
    """The database's revision; None: it is new."""
    if not inspect(connection).has_table(REVISION_TABLE):
        return None
    found = connection.scalar(text(f"SELECT version_num FROM {REVISION_TABLE}"))  # noqa: S608
    return found if found is None else str(found)


def check_revision(engine: Engine) -> None:
    """Raise RecordsError where the tables are not those of this program, NoRecordsError where there are none."""
    with engine.begin() as connection:
        found = revision_of(connection)
    if found is None:
        raise NoRecordsError(shown(engine))
    if found != REVISION:
        raise RecordsError("the records are of another version of this program", where=shown(engine),
                           found=f"schema {found}", allowed=f"schema {REVISION}",
                           remedy="use the version that wrote them, or verify a copy that this version has opened")


def bring_up_to_date(engine: Engine, *, new: bool = True) -> None:
    """Upgrade the tables, or where ``new`` make them, in one transaction.

    Raises RecordsError for a later program's database, NoRecordsError for an empty one that is not to be filled.
    """
    with engine.begin() as connection:
        found = revision_of(connection)
        if found == REVISION:
            return
        if found is None and not (new or inspect(connection).get_table_names()):
            raise NoRecordsError(shown(engine))
    with writer(engine).begin() as connection:
        found = revision_of(connection)
        if found != REVISION:
            _refuse_others(connection, found, shown(engine))
            upgrade(connection, REVISION)


def upgrade(connection: Connection, revision: str) -> None:
    """Run the migrations up to a revision, in the connection's transaction."""
    from alembic import command

    config = _config()
    config.attributes["connection"] = connection
    command.upgrade(config, revision)


def revisions() -> tuple[str, ...]:
    """All revisions this program knows, the first one first."""
    from alembic.script import ScriptDirectory

    return tuple(script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions())[::-1]


def _config() -> Config:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    return config


def _refuse_others(connection: Connection, found: str | None, where: str) -> None:
    """Nothing is added to a later program's tables, nor to those of some other program."""
    if found is None and (tables := inspect(connection).get_table_names()):
        raise RecordsError("the database is another program's", where=where, found=f"table {tables[0]}",
                           remedy="name a database of its own")
    if found is not None and found not in revisions():
        raise RecordsError("the database was made by a later version of this program", where=where,
                           found=f"schema {found}", allowed=f"up to {REVISION}", remedy="install that version")
