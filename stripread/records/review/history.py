"""Readings that stand, in the order of their sampling points' histories."""

from __future__ import annotations

from typing import Any, NamedTuple

from sqlalchemy import Connection, Row, Select, func, select

from stripread.records.kinds.brief import Brief, read_brief
from stripread.records.kinds.evidence import Photograph, StoredAssessment, StoredReading
from stripread.records.kinds.places import SamplingPoint, Site
from stripread.records.schema import KINDS

_READINGS, _PHOTOGRAPHS, _POINTS, _SITES, _ASSESSMENTS = (
    KINDS[kind].table for kind in (StoredReading, Photograph, SamplingPoint, Site, StoredAssessment))


class Seen(NamedTuple):
    """A reading that none supersedes; ``when`` its strip was dipped, or else the photograph received.

    ``verdict``: of its latest assessment.
    """

    id: str
    at: str
    when: str
    status: str
    flags: tuple[str, ...]
    photo: str
    point: str | None
    site: str | None
    group: str | None
    verdict: str | None
    values: tuple[Brief, ...]


def standing_readings(connection: Connection) -> list[Seen]:
    """All of them, by sampling point and then by time."""
    verdicts = _latest_verdicts(connection)
    found = [_seen(row, verdicts) for row in connection.execute(_joined())]
    return sorted(found, key=lambda seen: (seen.point or "", seen.when, seen.id))


def _joined() -> Select[Any]:
    r, p, s = _READINGS.c, _PHOTOGRAPHS.c, _POINTS.c
    later = _READINGS.alias("later")
    places = (_READINGS.join(_PHOTOGRAPHS, r.photograph == p.id).outerjoin(_POINTS, p.point == s.id)
              .outerjoin(_SITES, s.site == _SITES.c.id).outerjoin(later, later.c.supersedes == r.id))
    return select(r.id, r.at, func.coalesce(p.dipped, p.received).label("when"), r.status, r.flags, r.brief,
                  p.name.label("photo"), p.point, s.site, _SITES.c.group,
                  ).select_from(places).where(later.c.id.is_(None))


def _seen(row: Row[Any], verdicts: dict[str, str]) -> Seen:
    return Seen(id=row.id, at=row.at, when=row.when, status=row.status, flags=tuple(row.flags.split()),
                photo=row.photo, point=row.point, site=row.site, group=row.group, verdict=verdicts.get(row.id),
                values=read_brief(row.brief))


def _latest_verdicts(connection: Connection) -> dict[str, str]:
    a = _ASSESSMENTS.c
    rows = connection.execute(select(a.reading, a.verdict).order_by(a.at, a.id))
    return {row.reading: row.verdict for row in rows}
