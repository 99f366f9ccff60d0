"""All that is kept about one reading: what it rests on, what was said of it, and every act that touched it."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
from sqlalchemy import Connection, select, tuple_

from calibration.release import Release
from shared.decoders import from_json
from stripread.store import audit_trail
from stripread.store.chart_selection import releases
from stripread.store.current import current_assessment, superseding
from stripread.store.models.evidence import Correction, Photograph, Review, StoredAssessment, StoredReading
from stripread.store.models.record import Record
from stripread.store.models.sites import SamplingPoint, Site, SiteGroup
from stripread.store.review_status import Standing, decisions_of, review_status
from stripread.store.schema import LOG, RECORD_TYPES
from stripread.store.store import Store


class ReadingHistory(msgspec.Struct, frozen=True, kw_only=True):
    """``assessment``: the current one of all ``assessments``. ``superseded_by``: the reading that supersedes it.

    ``entries``: of the audit trail, the earliest first.
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
    standing: Standing
    corrections: tuple[Correction, ...]
    superseded_by: str | None
    entries: tuple[audit_trail.AuditEntry, ...]


def load_history(store: Store, reading: str) -> ReadingHistory:
    """Of the reading with this id. Raises RecordsError where there is none."""
    kept = store.get(StoredReading, reading)
    photograph = store.get(Photograph, kept.photograph)
    point = store.get(SamplingPoint, photograph.point) if photograph.point else None
    site = store.get(Site, point.site) if point else None
    assessments, reviews, corrections = (
        store.find(StoredAssessment, reading=reading), store.find(Review, reading=reading),
        store.find(Correction, reading=reading))
    with store.viewing() as connection:
        entries = _entries(connection, [kept, photograph, *assessments, *reviews, *corrections])
        words = decisions_of(connection, reading).get(reading, [])
        # Whatever clocks say, the order is that of the log.
        said = [entry.record for entry in entries]
        later = superseding(connection, reading)
    return ReadingHistory(
        reading=kept, photograph=photograph, point=point, site=site,
        group=store.get(SiteGroup, site.group) if site and site.group else None,
        releases=releases(store, kept.chart), assessments=tuple(sorted(assessments, key=lambda a: (a.at, a.id))),
        assessment=current_assessment(store, reading),
        reviews=tuple(sorted(reviews, key=lambda r: said.index(r.id))), standing=review_status(words, store.review),
        corrections=tuple(sorted(corrections, key=lambda c: said.index(c.id))), superseded_by=later, entries=entries)


def _entries(connection: Connection, records: Sequence[Record]) -> tuple[audit_trail.AuditEntry, ...]:
    wanted = [(RECORD_TYPES[type(record)].name, record.id) for record in records]
    rows = connection.scalars(select(LOG.c.entry).where(tuple_(LOG.c.kind, LOG.c.record).in_(wanted))
                              .order_by(LOG.c.seq))
    return tuple(from_json(text, audit_trail.AuditEntry) for text in rows)
