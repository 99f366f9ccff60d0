"""Lookup of records by what users type: an id, a unique prefix of it, or a name."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from sqlalchemy import Table, select

from stripread.store.errors import RecordsError
from stripread.store.models.record import Record
from stripread.store.schema import RECORD_TYPES
from stripread.store.store import Store

#: Digits of a random id that lists show: two of 100 000 records share them in one of 200 stores.
SHOWN_DIGITS: Final = 10
#: Maximum number of ids in a message.
_LISTED_IDS: Final = 20


def short_id(id_: str) -> str:
    """Return an id as lists show it: long ones are abbreviated."""
    return id_ if len(id_) <= SHOWN_DIGITS + 4 else id_[:SHOWN_DIGITS]


def list_some(ids: Sequence[str]) -> str:
    """Return the first ids and the number of the others, for messages."""
    more = f" and {len(ids) - _LISTED_IDS} more" if len(ids) > _LISTED_IDS else ""
    return ", ".join(ids[:_LISTED_IDS]) + more or "none yet"


def resolve_id(store: Store, type_: type[Record], typed: str) -> str:
    """Return the id of the record with this id, name or unique prefix of an id.

    Raises RecordsError if there is none or there are several.
    """
    kind = RECORD_TYPES[type_]
    found = _candidates(store, kind.table, typed)
    if len(found) != 1:
        what = "ambiguous: several records match in" if found else "no such record in"
        raise RecordsError(f"{what} {kind.name}", where=store.where, found=repr(typed),
                           allowed=list_some(found or store.ids(type_)))
    return found[0]


def _candidates(store: Store, table: Table, typed: str) -> list[str]:
    if not typed:
        return []
    begins = table.c.id.startswith(typed, autoescape=True)
    named = [table.c.name == typed] if "name" in table.c else []
    with store.viewing() as connection:
        if connection.scalar(select(table.c.id).where(table.c.id == typed)):
            return [typed]
        for condition in (*named, begins):
            # Some databases compare case-insensitively.
            found = [id_ for id_ in connection.scalars(select(table.c.id).where(condition).order_by(table.c.id))
                     if condition is not begins or id_.startswith(typed)]
            if found:
                return found
    return []
