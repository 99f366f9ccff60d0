"""What people type for a record: its id, the beginning of it, or where there is one its name."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from sqlalchemy import Table, select

from stripread.store.errors import RecordsError
from stripread.store.models.record import Record
from stripread.store.schema import RECORD_TYPES
from stripread.store.store import Store

#: Digits of a drawn id that lists show: of 100 000 records two share them once in 200 stores.
SHOWN: Final = 10
#: Whoever has many of a thing is shown so many.
_NAMED: Final = 20


def short_id(id_: str) -> str:
    """An id as lists show it: long ones cut."""
    return id_ if len(id_) <= SHOWN + 4 else id_[:SHOWN]


def list_some(ids: Sequence[str]) -> str:
    """What there is, as a message names it."""
    more = f" and {len(ids) - _NAMED} more" if len(ids) > _NAMED else ""
    return ", ".join(ids[:_NAMED]) + more or "none yet"


def resolve_id(store: Store, type_: type[Record], typed: str) -> str:
    """The id that is meant by an id, by the beginning of just one, or by the name of just one.

    Raises RecordsError where there is none, or several.
    """
    kind = RECORD_TYPES[type_]
    found = _candidates(store, kind.table, typed)
    if len(found) != 1:
        what = "could be several of" if found else "no such record in"
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
            # Some databases take upper and lower case for the same.
            found = [id_ for id_ in connection.scalars(select(table.c.id).where(condition).order_by(table.c.id))
                     if condition is not begins or id_.startswith(typed)]
            if found:
                return found
    return []
