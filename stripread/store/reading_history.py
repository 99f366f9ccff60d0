"""Everything the store has about one reading: what it was made from, what was decided, every entry of the audit trail.

Three SELECTs, whatever the history: the reading with all it refers to, the records that refer to it, and their entries.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import msgspec
from sqlalchemy import Connection, Row, Table, literal, select, tuple_, union_all

from calibration.release import Release
from shared.decoders import from_json
from stripread.store.audit_trail import AuditEntry
from stripread.store.errors import RecordsError
from stripread.store.models.evidence import Correction, Photograph, Review, StoredAssessment, StoredReading
from stripread.store.models.materials import StoredRelease
from stripread.store.models.record import Record
from stripread.store.models.sites import SamplingPoint, Site, SiteGroup
from stripread.store.reading_status import Decision, ReviewStatus, review_status
from stripread.store.schema import AUDIT_TRAIL, BODIES, READING_INDEX, RECORD_TYPES, R, decode
from stripread.store.store import Store

_READINGS, _PHOTOGRAPHS, _POINTS, _SITES, _GROUPS = _TABLES = tuple(
    RECORD_TYPES[type_].table for type_ in (StoredReading, Photograph, SamplingPoint, Site, SiteGroup))
_OF_READING: Final = (StoredAssessment, Review, Correction)


class ReadingHistory(msgspec.Struct, frozen=True, kw_only=True):
    """``assessment``: the current one of all ``assessments``. ``superseded_by``: the reading that supersedes it.

    ``entries``: of the audit trail, the earliest first; reviews and corrections are in their order.
    """

    reading: StoredReading
    photograph: Photograph
    point: SamplingPoint | None
    site: Site | None
    group: SiteGroup | None
    releases: tuple[Release, ...]
    assessments: tuple[StoredAssessment, ...]
    assessment: StoredAssessment | None
    reviews: tuple[Review, ...]
    review_status: ReviewStatus
    corrections: tuple[Correction, ...]
    superseded_by: str | None
    entries: tuple[AuditEntry, ...]

    @property
    def valid_reviews(self) -> tuple[Review, ...]:
        """The latest decision of each reviewer, unless it is withdrawn."""
        latest = {r.account: r for r in self.reviews}
        return tuple(r for r in self.reviews if latest[r.account] is r and r.decision != "withdrawn")


def load_history(store: Store, reading: str) -> ReadingHistory:
    """Return the history of the reading with this id. Raises RecordsError where there is none."""
    history = find_history(store, reading)
    if history is None:
        raise RecordsError("no such reading", where=store.where, found=reading)
    return history


def find_history(store: Store, reading: str) -> ReadingHistory | None:
    """Return the history of the reading with this id; None where there is none."""
    with store.viewing() as connection:
        row = _reading(connection, reading)
        return None if row is None else _history(store, connection, row)


def _history(store: Store, connection: Connection, row: Any) -> ReadingHistory:
    stored, photograph = decode(StoredReading, row.readings), decode(Photograph, row.photographs)
    related = _related(connection, stored)
    assessments, corrections = _of(StoredAssessment, related), _of(Correction, related)
    reviews = _of(Review, related)
    entries = _entries(connection, [stored, photograph, *assessments, *reviews, *corrections])
    # The order of decisions is that of the audit trail, whatever clocks say.
    place = {entry.record: n for n, entry in enumerate(entries)}
    reviews.sort(key=lambda r: place[r.id])
    point = decode(SamplingPoint, row.points) if photograph.point else None
    site = decode(Site, row.sites) if point else None
    return ReadingHistory(
        reading=stored, photograph=photograph, point=point, site=site,
        group=decode(SiteGroup, row.site_groups) if site and site.group else None,
        releases=tuple(sorted((s.release() for s in _of(StoredRelease, related)), key=lambda r: r.when)),
        assessments=tuple(sorted(assessments, key=lambda a: (a.at, a.id))),
        assessment=next((a for a in assessments if a.id == row.assessment), None), reviews=tuple(reviews),
        review_status=review_status([Decision(r.account, r.decision) for r in reviews], store.review),
        corrections=tuple(sorted(corrections, key=lambda c: place[c.id])), superseded_by=row.superseded_by,
        entries=entries)


def _reading(connection: Connection, reading: str) -> Any:
    """Bodies of the reading and of the records it refers to, each under the name of its table; None without one."""
    bodies = {table: BODIES.alias() for table in _TABLES}
    places = (_READINGS.join(_PHOTOGRAPHS, _READINGS.c.photograph == _PHOTOGRAPHS.c.id)
              .outerjoin(READING_INDEX, READING_INDEX.c.reading == _READINGS.c.id)
              .outerjoin(_POINTS, _PHOTOGRAPHS.c.point == _POINTS.c.id)
              .outerjoin(_SITES, _POINTS.c.site == _SITES.c.id)
              .outerjoin(_GROUPS, _SITES.c.group == _GROUPS.c.id))
    for table, body in bodies.items():
        places = places.outerjoin(body, table.c.sha256 == body.c.sha256)
    columns = (body.c.body.label(table.name) for table, body in bodies.items())
    return connection.execute(
        select(*columns, READING_INDEX.c.assessment, READING_INDEX.c.superseded_by)
        .select_from(places)
        .where(_READINGS.c.id == reading)
    ).first()


def _related(connection: Connection, stored: StoredReading) -> Sequence[Row[Any]]:
    """Name of the table and body of each record about the reading, and of the releases of its chart."""
    def bodies(table: Table, refers_to: str, id_: str) -> Any:
        return (select(literal(table.name).label("table"), BODIES.c.body)
                .join(table, table.c.sha256 == BODIES.c.sha256).where(table.c[refers_to] == id_))

    return connection.execute(union_all(
        *(bodies(RECORD_TYPES[type_].table, "reading", stored.id) for type_ in _OF_READING),
        bodies(RECORD_TYPES[StoredRelease].table, "chart", stored.chart))).all()


def _of(type_: type[R], related: Sequence[Row[Any]]) -> list[R]:
    return [decode(type_, row.body) for row in related if row.table == RECORD_TYPES[type_].name]


def _entries(connection: Connection, records: Sequence[Record]) -> tuple[AuditEntry, ...]:
    wanted = [(RECORD_TYPES[type(record)].name, record.id) for record in records]
    rows = connection.scalars(
        select(AUDIT_TRAIL.c.entry)
        # SQLite has no index for pairs.
        .where(AUDIT_TRAIL.c.record.in_(sorted({record.id for record in records})),
               tuple_(AUDIT_TRAIL.c.kind, AUDIT_TRAIL.c.record).in_(wanted))
        .order_by(AUDIT_TRAIL.c.seq)
    )
    return tuple(from_json(text, AuditEntry) for text in rows)
