"""Restriction of accounts to groups of sites: what is elsewhere does not exist for them.

A restricted account sees the sites of its groups with everything at them, and of photographs without a site its own.
Materials (batches, tubes, charts, cards) belong to no site and are visible to all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import ColumnElement, Select, select, true

from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.models.record import Record
from stripread.store.models.sites import Machine, SamplingPoint, Site, SiteGroup, Unit
from stripread.store.schema import READING_INDEX, RECORD_TYPES
from stripread.store.store import Store

_GROUPS, _SITES, _POINTS, _PHOTOGRAPHS, _READINGS = (
    RECORD_TYPES[kind].table for kind in (SiteGroup, Site, SamplingPoint, Photograph, StoredReading))


@dataclass(frozen=True, slots=True)
class SiteAccess:
    """What an account may see; ``groups`` None: everything."""

    account: str = ""
    groups: frozenset[str] | None = None

    def group_sql(self, group: ColumnElement[Any]) -> ColumnElement[bool]:
        """Return the condition on a column with the group of a site."""
        return true() if self.groups is None else group.in_(sorted(self.groups))

    def reading_sql(self) -> ColumnElement[bool]:
        """Return the condition on rows of the reading index."""
        if self.groups is None:
            return true()
        own = select(_PHOTOGRAPHS.c.id).where(_PHOTOGRAPHS.c.account == self.account)
        c = READING_INDEX.c
        return self.group_sql(c.group) | (c.site.is_(None) & c.photograph.in_(own))

    def includes(self, group: str | None) -> bool:
        """Return whether the sites of a group are visible."""
        return self.groups is None or group in self.groups

    def includes_record(self, store: Store, type_: type[Record], id_: str) -> bool:
        """Return whether the record of this type and id is visible; a missing one is where the account sees all."""
        query = None if self.groups is None else self._visible(type_)
        if query is None:
            return True
        with store.viewing() as connection:
            return connection.scalar(query.where(RECORD_TYPES[type_].table.c.id == id_)) is not None

    def _visible(self, type_: type[Record]) -> Select[Any] | None:
        """Return the query of the visible records of a type; None for types that belong to no site."""
        if type_ is SiteGroup:
            return select(_GROUPS.c.id).where(self.group_sql(_GROUPS.c.id))
        if type_ is Site:
            return select(_SITES.c.id).where(self.group_sql(_SITES.c.group))
        if type_ in _AT_A_SITE:
            table = RECORD_TYPES[type_].table
            return select(table.c.id).join(_SITES, table.c.site == _SITES.c.id).where(self.group_sql(_SITES.c.group))
        if type_ is StoredReading:
            return select(_READINGS.c.id).join(_PHOTOGRAPHS, _READINGS.c.photograph == _PHOTOGRAPHS.c.id).where(
                self._photograph_sql())
        return select(_PHOTOGRAPHS.c.id).where(self._photograph_sql()) if type_ is Photograph else None

    def _photograph_sql(self) -> ColumnElement[bool]:
        there = select(_POINTS.c.id).join(_SITES, _POINTS.c.site == _SITES.c.id).where(self.group_sql(_SITES.c.group))
        own = _PHOTOGRAPHS.c.point.is_(None) & (_PHOTOGRAPHS.c.account == self.account)
        return _PHOTOGRAPHS.c.point.in_(there) | own


_AT_A_SITE: Final[frozenset[type[Record]]] = frozenset({SamplingPoint, Machine, Unit})
#: Sees everything: the command line, and accounts without a restriction.
ALL_SITES: Final = SiteAccess()


def access_of(account: Account) -> SiteAccess:
    """Return what an account may see."""
    return SiteAccess(account.id, frozenset(account.groups) if account.groups else None)
