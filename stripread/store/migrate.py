"""Migration of a database to the schema of this program."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import TYPE_CHECKING, Final

from sqlalchemy import Connection, Engine, inspect, text

from stripread.store.database import shown, writer
from stripread.store.errors import NoRecordsError, RecordsError

if TYPE_CHECKING:
    from alembic.config import Config

#: Table of the database's revision; its name differs from that of other programs that use migrations.
REVISION_TABLE: Final = "records_schema"
#: The revision that this program uses: the newest in migrations/versions.
REVISION: Final = "0018"
#: Warnings, which commands and servers write to standard error: with a million readings an upgrade takes minutes.
_LOG: Final = logging.getLogger(__name__)


def revision_of(connection: Connection) -> str | None:
    """Return the database's revision; None if it is new."""
    if not inspect(connection).has_table(REVISION_TABLE):
        return None
    found = connection.scalar(text(f"SELECT version_num FROM {REVISION_TABLE}"))  # noqa: S608
    return found if found is None else str(found)


def check_revision(engine: Engine) -> None:
    """Raise RecordsError if the tables have another revision, NoRecordsError if there are none."""
    with engine.begin() as connection:
        found = revision_of(connection)
    if found is None:
        raise NoRecordsError(shown(engine))
    if found != REVISION:
        raise RecordsError("the records have the schema of another version of this program", where=shown(engine),
                           found=f"schema {found}", allowed=f"schema {REVISION}",
                           remedy="use the version that wrote them, or verify a copy that this version has upgraded")


def bring_up_to_date(engine: Engine, *, new: bool = True) -> None:
    """Upgrade the tables, or create them if ``new``, in one transaction.

    Raises RecordsError for the database of a later version, NoRecordsError for an empty one unless ``new``.
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
            _reject_foreign_tables(connection, found, shown(engine))
            if found is not None:
                _LOG.warning("upgrading the records from schema %s to %s; an interruption leaves them unchanged",
                             found, REVISION)
            upgrade(connection, REVISION)


def upgrade(connection: Connection, revision: str) -> None:
    """Run the migrations up to a revision, in the connection's transaction.

    Rows that follow from others are made where their tables are empty; a migration after which others follow empties
    them.
    """
    from alembic import command

    from stripread.store import reading_rows

    config = _config()
    config.attributes["connection"] = connection
    command.upgrade(config, revision)
    if revision == REVISION and reading_rows.missing(connection):
        reading_rows.rebuild(connection)


def revisions() -> tuple[str, ...]:
    """Return all revisions that this program knows, oldest first."""
    from alembic.script import ScriptDirectory

    return tuple(script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions())[::-1]


def _config() -> Config:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    return config


def _reject_foreign_tables(connection: Connection, found: str | None, where: str) -> None:
    """Raise RecordsError for the tables of a later version or of another program."""
    if found is None and (tables := inspect(connection).get_table_names()):
        raise RecordsError("the database belongs to another program", where=where, found=f"table {tables[0]}",
                           remedy="name a separate database")
    if found is not None and found not in revisions():
        raise RecordsError("the database was made by a later version of this program", where=where,
                           found=f"schema {found}", allowed=f"up to {REVISION}", remedy="install that version")
