"""Impact of the withdrawal of a chart, tube or phone: what rests on its readings and what has to be repeated.

Nothing is written: the list is made before a withdrawal, or after it to follow up.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final, Literal, NamedTuple

import msgspec
from sqlalchemy import ColumnElement, and_, select

from assess.decision import Verdict
from stripread.monitoring.assessed_water import sample_waters
from stripread.monitoring.valid_readings import is_valid_sql
from stripread.store.lookup import batches
from stripread.store.models.evidence import IssuedReport, Photograph, StoredReading
from stripread.store.models.materials import Phone, StoredChart, Tube
from stripread.store.models.record import Record
from stripread.store.models.sites import SamplingPoint, Site
from stripread.store.reading_query import review_status_sql
from stripread.store.schema import BODIES, READING_INDEX, RECORD_TYPES, decode_part
from stripread.store.site_access import ALL_SITES, SiteAccess
from stripread.store.store import Store

Material = Literal["chart", "tube", "phone"]
#: Type of the record that is withdrawn.
MATERIALS: Final[dict[Material, type[Record]]] = {"chart": StoredChart, "tube": Tube, "phone": Phone}
_READINGS, _PHOTOGRAPHS, _POINTS, _SITES, _REPORTS = (
    RECORD_TYPES[kind].table for kind in (StoredReading, Photograph, SamplingPoint, Site, IssuedReport))


class AffectedReading(msgspec.Struct, frozen=True, kw_only=True):
    """A valid reading made with what is withdrawn; site and point are None if its photograph names none."""

    id: str
    sampled: str
    site: str | None
    point: str | None
    verdict: Verdict | None


class AffectedReport(msgspec.Struct, frozen=True, kw_only=True):
    """The latest edition of a test report on an affected reading, current or superseded."""

    id: str
    at: str
    reading: str
    site: str | None


class PointToRetest(msgspec.Struct, frozen=True, kw_only=True):
    """A sampling point whose present result rests on an affected reading, or was compared with one of the feed water.

    ``verdict`` now; ``without``: that of the latest result that is not affected, of a reading or of a laboratory or
    typed sample, None if there is none.
    """

    site: str
    site_name: str
    point: str
    name: str
    verdict: Verdict | None
    without: Verdict | None
    why: Literal["latest result affected", "feed water affected"]

    @property
    def changes(self) -> bool:
        """Whether the verdict would change."""
        return self.verdict != self.without


class WithdrawalImpact(msgspec.Struct, frozen=True, kw_only=True):
    """What the withdrawal of ``id`` affects, latest readings first; points to retest ordered by site."""

    material: Material
    id: str
    readings: tuple[AffectedReading, ...]
    reports: tuple[AffectedReport, ...]
    retest: tuple[PointToRetest, ...]

    @property
    def changed(self) -> tuple[PointToRetest, ...]:
        """Points whose verdict would change."""
        return tuple(p for p in self.retest if p.changes)


def withdrawal_impact(store: Store, material: Material, id_: str, access: SiteAccess = ALL_SITES) -> WithdrawalImpact:
    """Return what the withdrawal of a chart (its hash), tube or phone (their ids) affects, of what an account may see.

    Raises RecordsError if there is no such record.
    """
    store.get(MATERIALS[material], id_)
    return _Impact(store, material, id_, access).impact()


class _Result(NamedTuple):
    """Id of a reading, empty for a laboratory or typed sample, and the verdict."""

    reading: str
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class _Impact:
    store: Store
    material: Material
    id: str
    access: SiteAccess

    def impact(self) -> WithdrawalImpact:
        rows = self._rows()
        valid = [r for r in rows if r.valid]
        return WithdrawalImpact(
            material=self.material, id=self.id,
            readings=tuple(AffectedReading(id=r.reading, sampled=r.sampled, site=r.site, point=r.point,
                                           verdict=r.verdict) for r in valid),
            reports=self._reports({r.reading for r in rows}),
            retest=tuple(self._retest({r.reading for r in valid}, {r.point for r in valid if r.point is not None})))

    def _rows(self) -> Sequence[Any]:
        """Return the rows of the reading index of all readings made with it, latest sample first."""
        c = READING_INDEX.c
        joined = READING_INDEX.join(_READINGS, _READINGS.c.id == c.reading).join(
            _PHOTOGRAPHS, _PHOTOGRAPHS.c.id == c.photograph)
        valid = and_(c.status == "measured", c.superseded_by.is_(None),
                     review_status_sql(c, self.store.review) != "rejected").label("valid")
        query = (select(c.reading, c.sampled, c.site, c.point, c.verdict, valid).select_from(joined)
                 .where(self.access.reading_sql()))
        with self.store.viewing() as connection:
            rows = [row for made_with in self._made_with() for row in connection.execute(query.where(made_with))]
        return sorted(sorted(rows, key=lambda r: r.reading), key=lambda r: r.sampled, reverse=True)

    def _made_with(self) -> Iterator[ColumnElement[bool]]:
        """Yield conditions of which each reading made with it meets exactly one."""
        if self.material == "chart":
            yield _READINGS.c.chart == self.id
        elif self.material == "tube":
            yield _PHOTOGRAPHS.c.tube == self.id
        else:
            yield _PHOTOGRAPHS.c.phone == self.id
            yield from (_PHOTOGRAPHS.c.id.in_(some) for some in batches(self._of_model()))

    def _of_model(self) -> list[str]:
        """Return photographs that name no phone but state the phone's model in their EXIF data."""
        model = self.store.get(Phone, self.id).model
        query = (select(_PHOTOGRAPHS.c.id, BODIES.c.body).select_from(_READINGS)
                 .join(BODIES, BODIES.c.sha256 == _READINGS.c.sha256)
                 .join(_PHOTOGRAPHS, _PHOTOGRAPHS.c.id == _READINGS.c.photograph).where(_PHOTOGRAPHS.c.phone.is_(None)))
        with self.store.viewing() as connection:
            return sorted({row.id for row in connection.execute(query)
                           if decode_part(StoredReading, row.body, _Stored).reading.provenance.camera == model})

    def _reports(self, readings: AbstractSet[str]) -> tuple[AffectedReport, ...]:
        r, later = _REPORTS.c, _REPORTS.alias("later")
        query = (select(r.id, r.at, r.reading, READING_INDEX.c.site)
                 .join(READING_INDEX, READING_INDEX.c.reading == r.reading)
                 .where(~select(later.c.id).where(later.c.amends == r.id).exists()).order_by(r.at.desc(), r.id))
        with self.store.viewing() as connection:
            return tuple(AffectedReport(id=row.id, at=row.at, reading=row.reading, site=row.site)
                         for row in connection.execute(query) if row.reading in readings)

    def _retest(self, affected: AbstractSet[str], points: AbstractSet[str]) -> Iterator[PointToRetest]:
        """Yield the points whose latest result is affected, and those compared with an affected feed water."""
        named = self._points(points)
        now, without = self._verdicts(named, frozenset()), self._verdicts(named, affected)
        hit = {id_ for id_, result in now.items() if result.reading in affected}
        fed = {named[id_].site for id_ in hit if named[id_].place == "mains"}
        for p in named.values():
            if p.id in hit:
                after = without[p.id].verdict if p.id in without else None
                yield PointToRetest(site=p.site, site_name=p.site_name, point=p.id, name=p.name,
                                    verdict=now[p.id].verdict, without=after, why="latest result affected")
            elif p.id in now and p.place != "mains" and p.site in fed:
                verdict = now[p.id].verdict
                yield PointToRetest(site=p.site, site_name=p.site_name, point=p.id, name=p.name, verdict=verdict,
                                    without=verdict, why="feed water affected")

    def _points(self, points: AbstractSet[str]) -> dict[str, Any]:
        """Return the open points of the sites at which ``points`` are, with the names of these sites."""
        p, s = _POINTS.c, _SITES.c
        query = (select(p.id, p.site, p.place, p.name, s.name.label("site_name")).join(_SITES, s.id == p.site)
                 .where(p.site.in_(select(p.site).where(p.id.in_(points))), p.closed.is_(None), s.closed.is_(None))
                 .order_by(s.name, p.site, p.name))
        with self.store.viewing() as connection:
            return {row.id: row for row in connection.execute(query)}

    def _verdicts(self, points: Collection[str], left_out: AbstractSet[str]) -> dict[str, _Result]:
        """Return the latest assessed result of each point, a valid reading or a sample, some readings left out."""
        c = READING_INDEX.c
        query = (select(c.point, c.reading, c.verdict, c.sampled)
                 .where(c.point.in_(points), *is_valid_sql(self.store.review))
                 .order_by(c.sampled, c.at, c.reading))
        with self.store.viewing() as connection:
            rows = [row for row in connection.execute(query) if row.reading not in left_out]
        last = {row.point: _day(row) for row in rows}
        read = {row.point: row for row in rows if row.verdict is not None}
        results = {point: _Result(row.reading, row.verdict) for point, row in read.items()}
        for point, sample in sample_waters(self.store, points).items():
            day = sample.sampled.date()
            if point not in read or day > _day(read[point]) or day == last[point]:
                results[point] = _Result("", sample.verdict)
        return results


def _day(row: Any) -> date:
    return datetime.fromisoformat(row.sampled).date()


class _Provenance(msgspec.Struct):
    camera: str | None = None


class _Reading(msgspec.Struct):
    provenance: _Provenance


class _Stored(msgspec.Struct):
    reading: _Reading
