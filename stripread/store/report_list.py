"""Issued test reports in a list: which reading and which report each is on, without decoding the readings."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select

from stripread.store.models.evidence import IssuedReport
from stripread.store.models.sites import SamplingPoint, Site
from stripread.store.schema import BODIES, READING_INDEX, RECORD_TYPES, decode
from stripread.store.site_access import SiteAccess
from stripread.store.store import Store

_REPORTS, _SITES, _POINTS = (RECORD_TYPES[kind].table for kind in (IssuedReport, Site, SamplingPoint))


@dataclass(frozen=True, slots=True)
class ReportRow:
    """An issued report; ``amended_by``: the id of the report that replaces it, None if it is the latest edition."""

    id: str
    at: datetime
    reading: str
    site_name: str | None
    point_name: str | None
    why: str
    amends: str | None
    amended_by: str | None


def issued_reports(store: Store, access: SiteAccess) -> list[ReportRow]:
    """Return the reports that an account may see, latest first."""
    r, i, later = _REPORTS.c, READING_INDEX.c, _REPORTS.alias("later")
    places = (_REPORTS.join(BODIES, BODIES.c.sha256 == r.sha256).join(READING_INDEX, i.reading == r.reading)
              .outerjoin(_POINTS, _POINTS.c.id == i.point).outerjoin(_SITES, _SITES.c.id == i.site)
              .outerjoin(later, later.c.amends == r.id))
    query = (select(BODIES.c.body, _SITES.c.name.label("site_name"), _POINTS.c.name.label("point_name"),
                    later.c.id.label("amended_by"))
             .select_from(places).where(access.reading_sql()).order_by(r.at.desc(), r.id))
    with store.viewing() as connection:
        rows = connection.execute(query).all()
    return [_row(decode(IssuedReport, row.body), row.site_name, row.point_name, row.amended_by) for row in rows]


def _row(report: IssuedReport, site: str | None, point: str | None, amended_by: str | None) -> ReportRow:
    return ReportRow(report.id, report.at, report.reading, site, point, report.why, report.amends, amended_by)
