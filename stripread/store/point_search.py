"""Search for sampling points by site, name or id, and the points that an account used last."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, func, or_, select

from stripread.store.models.evidence import Photograph
from stripread.store.models.sites import SamplingPoint, Site
from stripread.store.schema import RECORD_TYPES
from stripread.store.site_access import ALL_SITES, SiteAccess
from stripread.store.store import Store

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


def search_points(store: Store, typed: str, access: SiteAccess = ALL_SITES) -> list[PointSummary]:
    """Return the open points whose site, name or id contains the text, by site and name."""
    return _spots(store, _open(access).where(or_(
        *(column.icontains(typed, autoescape=True) for column in (_SITES.c.name, _POINTS.c.name, _POINTS.c.id)))
    ).order_by(_SITES.c.name, _POINTS.c.name))


def recent_points(store: Store, account: str, access: SiteAccess = ALL_SITES) -> list[PointSummary]:
    """Return the points at which an account took photographs last, the latest first."""
    last = (select(_PHOTOGRAPHS.c.point, func.max(_PHOTOGRAPHS.c.received).label("at"))
            .where(_PHOTOGRAPHS.c.account == account, _PHOTOGRAPHS.c.point.is_not(None))
            .group_by(_PHOTOGRAPHS.c.point).subquery())
    return _spots(store, _open(access).join(last, last.c.point == _POINTS.c.id).order_by(last.c.at.desc()))


def find_point(store: Store, id_: str, access: SiteAccess = ALL_SITES) -> PointSummary | None:
    """Return the point with this id, open or closed; None if there is none."""
    return next(iter(_spots(store, _query(access).where(_POINTS.c.id == id_))), None)


def _query(access: SiteAccess) -> Select[Any]:
    return select(_POINTS.c.id, _POINTS.c.name, _POINTS.c.place, _POINTS.c.site, _SITES.c.name.label("site_name")
                  ).select_from(_POINTS).join(_SITES, _POINTS.c.site == _SITES.c.id).where(
                      access.group_sql(_SITES.c.group))


def _open(access: SiteAccess) -> Select[Any]:
    return _query(access).where(_SITES.c.closed.is_(None), _POINTS.c.closed.is_(None))


def _spots(store: Store, query: Select[Any]) -> list[PointSummary]:
    with store.viewing() as connection:
        return [PointSummary(**row) for row in connection.execute(query.limit(MOST)).mappings()]
