"""Lookup of records by an id, a unique prefix of it, or a name; search for sampling points by site, name or id."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import islice
from typing import Any, Final

from sqlalchemy import Select, Table, or_, select

from stripread.store.errors import RecordsError
from stripread.store.models.evidence import Photograph
from stripread.store.models.record import Record
from stripread.store.models.sites import SamplingPoint, Site
from stripread.store.schema import RECORD_TYPES
from stripread.store.site_access import ALL_SITES, SiteAccess
from stripread.store.store import Store

#: Digits of a random id that lists show: two of 100 000 records share them in one of 200 stores.
SHOWN_DIGITS: Final = 10
_RANDOM_ID: Final = re.compile(r"[0-9a-f]{32,}")
#: Maximum number of ids in a message.
_LISTED_IDS: Final = 20
#: Maximum number of ids in a statement; SQLite permits 32 766 values, PostgreSQL 65 535.
_IDS_A_STATEMENT: Final = 10_000


def batches(ids: Iterable[str]) -> Iterator[list[str]]:
    """Yield ids in lists that a statement of any database can contain."""
    left = iter(ids)
    while some := list(islice(left, _IDS_A_STATEMENT)):
        yield some


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
        what = f"ambiguous {kind.singular}: several match" if found else f"no such {kind.singular}"
        raise RecordsError(what, where=store.where, found=repr(typed), **_suggestion(typed, found or store.ids(type_)))
    return found[0]


def _suggestion(typed: str, ids: Sequence[str]) -> dict[str, str]:
    """Return what is allowed, and the nearest id. Random ids are not listed: a user copies them from a list."""
    if ids and _RANDOM_ID.fullmatch(ids[0]):
        matching = [short_id(id_) for id_ in ids if id_.startswith(typed)]
        return {"allowed": list_some(matching) if typed and matching else "an ID as the lists show it"}
    near = get_close_matches(typed, ids, n=1)
    return {"allowed": list_some(ids), "remedy": f"did you mean {near[0]!r}?" if near else ""}


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


_SITES, _POINTS, _PHOTOGRAPHS = (RECORD_TYPES[kind].table for kind in (Site, SamplingPoint, Photograph))
#: Maximum number of points in a list on a phone.
MOST = 20


@dataclass(frozen=True, slots=True)
class PointSummary:
    """A sampling point with its site's name."""

    id: str
    name: str
    place: str
    site: str
    site_name: str


def search_points(
    store: Store, typed: str, access: SiteAccess = ALL_SITES, *, most: int | None = MOST
) -> list[PointSummary]:
    """Return the open points whose site, name or id contains the text, by site and name; at most ``most``."""
    return _spots(store, _open(access).where(or_(
        *(column.icontains(typed, autoescape=True) for column in (_SITES.c.name, _POINTS.c.name, _POINTS.c.id)))
    ).order_by(_SITES.c.name, _POINTS.c.name, _POINTS.c.id), most)


def find_point(store: Store, id_: str, access: SiteAccess = ALL_SITES) -> PointSummary | None:
    """Return the point with this id, open or closed; None if there is none."""
    return next(iter(_spots(store, _query(access).where(_POINTS.c.id == id_))), None)


def _query(access: SiteAccess) -> Select[Any]:
    return select(_POINTS.c.id, _POINTS.c.name, _POINTS.c.place, _POINTS.c.site, _SITES.c.name.label("site_name")
                  ).select_from(_POINTS).join(_SITES, _POINTS.c.site == _SITES.c.id).where(
                      access.group_sql(_SITES.c.group))


def _open(access: SiteAccess) -> Select[Any]:
    return _query(access).where(_SITES.c.closed.is_(None), _POINTS.c.closed.is_(None))


def _spots(store: Store, query: Select[Any], most: int | None = MOST) -> list[PointSummary]:
    with store.viewing() as connection:
        return [PointSummary(**row) for row in connection.execute(query.limit(most)).mappings()]
