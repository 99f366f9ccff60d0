"""Valid readings of sampling points: measured, current and not rejected."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime
from operator import attrgetter
from typing import Any, Final, NamedTuple

from sqlalchemy import CTE, ColumnElement, Select, Text, and_, column, func, select, true, values

from stripread.store.lookup import batches
from stripread.store.models.evidence import (
    Correction,
    Photograph,
    StoredReading,
    ValueSummary,
    decode_summary,
    summarise_value,
)
from stripread.store.models.record import stamp
from stripread.store.models.sites import SamplingPoint, Site
from stripread.store.reading_query import review_status_sql
from stripread.store.schema import BODIES, READING_INDEX, RECORD_TYPES, decode
from stripread.store.settings import ReviewPolicy
from stripread.store.store import Store

_READINGS, _PHOTOGRAPHS, _CORRECTIONS, _POINTS, _SITES = (
    RECORD_TYPES[kind].table for kind in (StoredReading, Photograph, Correction, SamplingPoint, Site))


#: Ids from which a statement reads the rows of all instead of naming them.
_MOST_NAMED = 1000
_BY_TIME: Final = attrgetter("at", "id")


class ValidReading(NamedTuple):
    """A valid reading; ``at``: time at which the strip was dipped, else photographed, else received.

    ``correction``: id of a correction of it, if it has any.
    """

    id: str
    photograph: str
    point: str
    at: datetime
    chart: str
    batch: str
    dipped: str | None
    brief: str
    correction: str | None

    @property
    def values(self) -> tuple[ValueSummary, ...]:
        """The measured values."""
        return decode_summary(self.brief)


def valid_readings(store: Store, *, points: Sequence[str] | None = None, since: Mapping[str, datetime] | None = None
            ) -> list[ValidReading]:
    """Return valid readings in order of time: of ``points``, or at each point ``since`` a moment, or all."""
    if since is not None and not since:
        return []
    query = _query(store.review)
    if points is not None:
        query = query.where(READING_INDEX.c.point.in_(points))
    if since is not None:
        selected = moments({point: stamp(moment) for point, moment in since.items()})
        query = query.join(
            selected, (READING_INDEX.c.point == selected.c.point) & (READING_INDEX.c.sampled >= selected.c.moment)
        )
    with store.viewing() as connection:
        return _in_order(connection.execute(query).all())


def moments(of: Mapping[str, str]) -> CTE:
    """Return times by sampling point as a table (``point``, ``moment``) to select readings in the database."""
    return values(column("point", Text), column("moment", Text), name="selected").data(list(of.items())).cte()


def among(column: ColumnElement[Any], ids: Collection[str]) -> ColumnElement[bool]:
    """Return the condition that a column is one of the ids; always true for many ids, which no statement names."""
    return column.in_(list(ids)) if len(ids) < _MOST_NAMED else true()


def latest(store: Store, points: Iterable[str], n: int) -> list[ValidReading]:
    """Return the ``n`` latest valid readings of each point, in order of time."""
    rows: list[Any] = []
    with store.viewing() as connection:
        for some in batches(points):
            chosen = latest_of_each(store, n, _POINTS.c.id.in_(some))
            rows += connection.execute(_query(store.review).join(chosen, READING_INDEX.c.reading == chosen.c.reading))
    return _in_order(rows)


def latest_of_each(store: Store, n: int, *of: ColumnElement[bool]) -> CTE:
    """Return the ``n`` latest valid ``reading`` ids of each ``point``; ``place`` 1 is the latest.

    ``of``: conditions on sampling points and sites. PostgreSQL reads ``n`` entries of an index for each point; SQLite,
    which has no lateral joins, numbers all readings of the points.
    """
    there, at_site = READING_INDEX.alias("there"), _POINTS.join(_SITES, _SITES.c.id == _POINTS.c.site)
    t, order = there.c, (there.c.sampled.desc(), there.c.at.desc(), there.c.reading.desc())
    valid = (t.point == _POINTS.c.id, *is_valid_sql(store.review, t))
    if store.engine.dialect.name == "postgresql":
        place = func.row_number().over(order_by=order).label("place")
        last = select(t.reading, place).where(*valid).order_by(*order).limit(n).lateral()
        return select(_POINTS.c.id.label("point"), last.c.reading, last.c.place).select_from(
            at_site.join(last, true())).where(*of).cte()
    place = func.row_number().over(partition_by=t.point, order_by=order).label("place")
    ranked = select(t.point, t.reading, place).select_from(at_site.join(there, and_(*valid))).where(*of).subquery()
    return select(ranked).where(ranked.c.place <= n).cte()


def _in_order(rows: Iterable[Any]) -> list[ValidReading]:
    """Return the rows of `_query` in the order of time of their samples."""
    readings = [ValidReading(id_, photograph, point, datetime.fromisoformat(sampled), *rest)
                for id_, photograph, point, sampled, *rest in rows]
    return sorted(readings, key=_BY_TIME)


def corrections(store: Store, readings: Iterable[ValidReading]) -> dict[tuple[str, str], ValueSummary]:
    """Return reviewers' corrections of readings by reading and analyte; the latest if there are several."""
    table, corrected = _CORRECTIONS, sorted({r.id for r in readings if r.correction is not None})
    query = (select(table.c.reading, BODIES.c.body).join(BODIES, table.c.sha256 == BODIES.c.sha256)
             .order_by(table.c.at, table.c.id))
    with store.viewing() as connection:
        rows = [row for some in batches(corrected)
                for row in connection.execute(query.where(table.c.reading.in_(some)))]
    return {(row.reading, c.analyte): b for row in rows
            for c in (decode(Correction, row.body),) if (b := summarise_value(c.estimate)) is not None}


def is_valid_sql(policy: ReviewPolicy, c: Any = READING_INDEX.c) -> tuple[ColumnElement[bool], ...]:
    """Return the conditions under which a row of the reading index, with the columns ``c``, is valid."""
    return (c.status == "measured", c.superseded_by.is_(None), c.point.is_not(None),
            review_status_sql(c, policy) != "rejected")


def _query(policy: ReviewPolicy) -> Select[Any]:
    c, r, p = READING_INDEX.c, _READINGS.c, _PHOTOGRAPHS.c
    joined = READING_INDEX.join(_READINGS, c.reading == r.id).join(_PHOTOGRAPHS, c.photograph == p.id)
    columns = (r.id, c.photograph, c.point, c.sampled, r.chart, c.batch, p.dipped, r.value_summary, c.correction)
    return select(*columns).select_from(joined).where(*is_valid_sql(policy))
