"""Errors of the store, and the translation of database and disk errors into them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from shared.errors import InputError

_LOCKED = "another program has locked the database for too long"
DISK_FULL = "the disk is full; nothing was changed"
#: Text in the message of a database or disk error; its meaning for the user; the remedy.
_MEANINGS = (
    ("database is locked", _LOCKED, "try again in a moment"),
    ("lock timeout", _LOCKED, "try again in a moment"),
    ("disk is full", DISK_FULL, "free disk space and try again"),
    ("no space left", DISK_FULL, "free disk space and try again"),
    ("readonly database", "the database cannot be written", "check the permissions of the file and its folder"),
    ("unable to open database", "the database cannot be opened", "check that its folder exists and can be written"),
    ("connection failed", "the database server cannot be reached", "check that it runs, and check URL and password"),
    ("unique constraint", "a record with this key exists already", "list the existing records, then try again"),
    ("not a database", "the file is not a database of this program", "name another file, or restore a backup"),
    ("malformed", "the database file is damaged", "restore a backup"),
    ("could not decode", "the database file is damaged", "restore a backup"),
    ("disk i/o error", "the disk failed; nothing was changed", "check the disk and try again"),
    ("append-only", "stored records cannot be changed or deleted", "add a record that supersedes it"),
)


class RecordsError(InputError):
    """The store, or an input to it, cannot be used."""


class ConflictError(RecordsError):
    """A record has changed since the caller saw it."""


class NoRecordsError(RecordsError):
    """The store that the settings name does not exist."""

    def __init__(self, where: str) -> None:
        super().__init__("there are no records yet", where=where,
                         remedy="`stripread accounts create`, `chart register` and `sites import` create the store; "
                                "`stripread storage --help` describes where")


@contextmanager
def translate_errors(where: str) -> Iterator[None]:
    """Turn the database's errors into RecordsError; ``where`` names the database."""
    try:
        yield
    except SQLAlchemyError as error:
        text = str(error.orig) if isinstance(error, DBAPIError) else str(error)
        what, remedy = next(((what, remedy) for sign, what, remedy in _MEANINGS if sign in text.lower()),
                            ("the database reported an error", "read its message, and check that it runs"))
        raise RecordsError(what, where=where, found=" ".join(text.split()), remedy=remedy) from error
