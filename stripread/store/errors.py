"""Errors of the record store, and the one border at which those of database and disk become ours."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from shared.errors import InputError

_HELD = "another program has held the database locked for too long"
_FULL = "the disk is full; nothing was changed"
#: What the databases say, in words of theirs, and what it means to the person at the keyboard.
_MEANINGS = (
    ("database is locked", _HELD, "try again in a moment"),
    ("lock timeout", _HELD, "try again in a moment"),
    ("disk is full", _FULL, "make room and try again"),
    ("no space left", _FULL, "make room and try again"),
    ("readonly database", "the database cannot be written", "check the permissions of the file and its folder"),
    ("unable to open database", "the database cannot be opened", "check that its folder exists and can be written"),
    ("connection failed", "the database server cannot be reached", "check that it runs, and the URL and its password"),
    ("unique constraint", "another record has taken that place", "look at what is kept, then try again"),
    ("not a database", "the file is no database of this program", "name another file, or restore a backup"),
    ("malformed", "the database file is damaged", "restore a backup"),
    ("could not decode", "the database file is damaged", "restore a backup"),
    ("disk i/o error", "the disk failed; nothing was changed", "check the disk and try again"),
    ("append-only", "what is kept cannot be changed or deleted", "add a record that supersedes it"),
)


class RecordsError(InputError):
    """The store, or something given to it, cannot be used."""


class NoRecordsError(RecordsError):
    """There is no store where the settings say."""

    def __init__(self, where: str) -> None:
        super().__init__("there are no records yet", where=where,
                         remedy="`stripread records keep`, `import`, `batch` and `people add` create them; "
                                "`stripread records --help` describes where")


@contextmanager
def translate_errors(where: str) -> Iterator[None]:
    """Turn the database's errors into RecordsError; ``where`` names the database."""
    try:
        yield
    except SQLAlchemyError as error:
        found = str(error.orig) if isinstance(error, DBAPIError) else str(error)
        what, remedy = next(((what, remedy) for sign, what, remedy in _MEANINGS if sign in found.lower()),
                            ("the database refused", "see what it says, and check that it runs"))
        raise RecordsError(what, where=where, found=" ".join(found.split()), remedy=remedy) from error
