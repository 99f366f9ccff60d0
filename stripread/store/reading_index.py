"""Index of readings: one table with a row for each reading, updated with each change, from which lists are made.

Lists need no joins: with 100 000 readings a database may join five tables in a slow order.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any, Final

from sqlalchemy import (
    Column,
    ColumnElement,
    Connection,
    Delete,
    Insert,
    Join,
    ScalarSelect,
    Select,
    bindparam,
    case,
    delete,
    func,
    insert,
    literal,
    select,
)

from stripread.store import reading_rows
from stripread.store.models.evidence import Correction, Photograph, Review, StoredAssessment, StoredReading
from stripread.store.models.materials import StoredChart
from stripread.store.models.record import Record
from stripread.store.models.sites import SamplingPoint, Site
from stripread.store.schema import AUDIT_TRAIL, READING_INDEX, RECORD_TYPES

_READINGS, _PHOTOGRAPHS, _CHARTS, _POINTS, _SITES, _ASSESSMENTS, _REVIEWS, _CORRECTIONS = (
    RECORD_TYPES[kind].table for kind in (
        StoredReading, Photograph, StoredChart, SamplingPoint, Site, StoredAssessment, Review, Correction))
_LATER: Final = _READINGS.alias("later")
_KIND: Final = RECORD_TYPES[Review].name
_LOGGED, _LATER_LOGGED = AUDIT_TRAIL.alias("logged"), AUDIT_TRAIL.alias("later_logged")
_LATER_REVIEWS: Final = _REVIEWS.alias("later_reviews")
#: Key columns of the records whose changes affect readings.
_BY: Final[Mapping[type[Record], ColumnElement[str]]] = {
    StoredReading: _READINGS.c.id, Photograph: _PHOTOGRAPHS.c.id, SamplingPoint: _POINTS.c.id, Site: _SITES.c.id}


#: Of places, the columns that the index contains.
_OF_PLACES: Final[Mapping[type[Record], Column[str]]] = {SamplingPoint: _POINTS.c.site, Site: _SITES.c.group}


def is_affected(connection: Connection, record: Record) -> bool:
    """Return whether a change of a record that is not made yet may affect the index: a new name of a place does not."""
    column = _OF_PLACES.get(type(record))
    if column is None:
        return True
    stored = connection.execute(select(column).where(column.table.c.id == record.id)).first()
    return stored is None or stored[0] != getattr(record, column.name)


def reindex(connection: Connection, record: Record, *, new: bool) -> None:
    """Update the index for the readings that a record affects; ``new``: it was just added, so none refers to it."""
    if isinstance(record, StoredReading):
        _update(connection, Photograph, record.photograph)
        if record.supersedes is not None:
            _update(connection, StoredReading, record.supersedes)
    elif isinstance(record, StoredAssessment | Review | Correction):
        _update(connection, StoredReading, record.reading)
    elif type(record) in _BY and not new:
        _update(connection, type(record), record.id)


def find_mismatch(connection: Connection) -> str | None:
    """Return the id of a reading whose rows do not agree with the other tables; None if all agree."""
    for one, other in ((select(READING_INDEX), rows()), (rows(), select(READING_INDEX))):
        row = connection.execute(one.except_(other).limit(1)).first()
        if row:
            return str(row[0])
    return reading_rows.mismatch(connection)


def rows() -> Select[Any]:
    """Return the query of the index from all other tables, with the columns in order.

    This is the definition of two terms. A reading is superseded by the reading that names it in ``supersedes``; without
    one, by the photograph's latest reading that none supersedes (two stores may each have read the photograph). The
    current assessment of a reading is its latest. Latest: by the time stated, then by id, the same in every store.
    """
    r, p = _READINGS.c, _PHOTOGRAPHS.c
    return select(
        r.id, func.coalesce(case((p.dipped <= p.received, p.dipped)), p.exposed, p.received), r.at, r.status, r.flags,
        r.photograph, _CHARTS.c.batch, p.point, _POINTS.c.site, _SITES.c.group,
        _latest_assessment(_ASSESSMENTS.c.verdict), func.coalesce(_LATER.c.id, func.nullif(_latest_reading(), r.id)),
        _decision(0), _decision(1),
        select(func.min(_CORRECTIONS.c.id)).where(_CORRECTIONS.c.reading == r.id).scalar_subquery(),
        _latest_assessment(_ASSESSMENTS.c.id),
    ).select_from(_joined())


def _update(connection: Connection, type_: type[Record], id_: str) -> None:
    affected, remove, add = _statements(type_)
    named = {"named": id_}
    before = connection.execute(affected, named).all()
    connection.execute(remove, named)
    connection.execute(add, named)
    reading_rows.refresh(connection, before, connection.execute(affected, named).all())


@cache
def _statements(type_: type[Record]) -> tuple[Select[Any], Delete, Insert]:
    """Return the statements, cached: building them takes longer than running them."""
    which = _BY[type_] == bindparam("named")
    ids = select(_READINGS.c.id).select_from(_joined()).where(which)
    return (reading_rows.index_rows(ids), delete(READING_INDEX).where(READING_INDEX.c.reading.in_(ids)),
            insert(READING_INDEX).from_select([c.name for c in READING_INDEX.c], rows().where(which)))


def _joined() -> Join:
    return (_READINGS.join(_PHOTOGRAPHS, _READINGS.c.photograph == _PHOTOGRAPHS.c.id)
            .join(_CHARTS, _READINGS.c.chart == _CHARTS.c.id)
            .outerjoin(_POINTS, _PHOTOGRAPHS.c.point == _POINTS.c.id)
            .outerjoin(_SITES, _POINTS.c.site == _SITES.c.id)
            .outerjoin(_LATER, _LATER.c.supersedes == _READINGS.c.id))


def _latest_assessment(column: ColumnElement[str]) -> ScalarSelect[Any]:
    """Return a column of a reading's latest assessment."""
    a = _ASSESSMENTS.c
    return (select(column).where(a.reading == _READINGS.c.id).order_by(a.at.desc(), a.id.desc()).limit(1)
            .scalar_subquery())


def _latest_reading() -> ScalarSelect[Any]:
    """Return the latest reading of the same photograph that no other names in ``supersedes``."""
    same, later = _READINGS.alias("same"), _READINGS.alias("successor")
    named = select(later.c.id).where(later.c.supersedes == same.c.id).exists()
    return (select(same.c.id).where(same.c.photograph == _READINGS.c.photograph, ~named)
            .order_by(same.c.at.desc(), same.c.id.desc()).limit(1).correlate(_READINGS).scalar_subquery())


def _decision(place: int) -> ColumnElement[Any]:
    """Return a decision that counts, by its place from the last: each reviewer's latest, unless it is withdrawn.

    The order is that of the audit trail, whatever clocks say. Both are "rejected" while the account that took the
    reading has withdrawn it: that needs no second reviewer.
    """
    r, log, later, later_log = _REVIEWS.c, _LOGGED.c, _LATER_REVIEWS.c, _LATER_LOGGED.c
    superseded = (
        select(later.id)
        .select_from(_LATER_REVIEWS.join(_LATER_LOGGED, later_log.record == later.id))
        .where(later_log.kind == _KIND, later.reading == r.reading, later.account == r.account, later_log.seq > log.seq)
        .exists()
    )
    logged = _REVIEWS.join(_LOGGED, (log.record == r.id) & (log.kind == _KIND))
    latest = [r.reading == _READINGS.c.id, ~superseded]
    withdrawn = select(literal("rejected")).select_from(logged).where(*latest, r.decision == "reading-withdrawn")
    decided = (select(r.decision).select_from(logged).where(*latest, r.decision != "withdrawn")
               .order_by(log.seq.desc()).limit(1).offset(place))
    return func.coalesce(*(query.correlate(_READINGS).scalar_subquery() for query in (withdrawn.limit(1), decided)))
